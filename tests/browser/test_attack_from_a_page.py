"""A web page in the user's own browser and the Prefect server of a refresh or schedule: no way of asking comes through."""

import os
import threading
from collections.abc import Callable, Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.scheduler.local_prefect import own_server
from pipelines.flows.scheduler.server_record import ServerRecord, read_record
from pipelines.workspace import Workspace
from tests.browser.conftest import CHROMIUM, QUIET
from tests.builders.strangers import as_owner
from tests.present import present

SETTINGS = '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n[prefect]\ndashboard = true\n'
REBOUND = "rebound.invalid"
"""A name of the page's own, which the browser finds at 127.0.0.1: what an attacker's name server can answer at any time."""

FLOW = {"name": "nightly-refresh"}
ATTACK = """async ({root, login, flow}) => {
  const body = JSON.stringify(flow), found = {};
  const json = {'content-type': 'application/json'}, plain = {'content-type': 'text/plain'};
  const asking = {
    'read': {},
    'read, blindly': {mode: 'no-cors'},
    'post': {method: 'POST', body, headers: json},
    'post with a guess': {method: 'POST', body, headers: {...json, authorization: 'Basic YTpi'}},
    'post with the login': {method: 'POST', body, headers: {...json, authorization: login}},
    'post, blindly': {method: 'POST', body, headers: plain, mode: 'no-cors'},
    'post with cookies': {method: 'POST', body, headers: plain, mode: 'no-cors', credentials: 'include'},
    'delete': {method: 'DELETE'},
  };
  for (const [name, options] of Object.entries(asking)) {
    try {
      const answer = await fetch(root + '/api/flows/', options);
      found[name] = answer.type === 'opaque' ? 'nothing shown' : answer.status;
    } catch (error) { found[name] = 'refused'; }
  }
  for (const path of ['events/in', 'events/out', 'logs/out', 'task_runs/subscriptions/scheduled', 'work_pools/x/workers/connect'])
    found['socket ' + path] = await new Promise(done => {
      const socket = new WebSocket(root.replace('http', 'ws') + '/api/' + path, ['prefect']);
      socket.onopen = () => done('open');
      socket.onerror = () => done('refused');
    });
  return found;
}"""
FORM = """({root, flow}) => {
  const form = Object.assign(document.createElement('form'), {method: 'POST', action: root + '/api/flows/', enctype: 'text/plain'});
  const field = Object.assign(document.createElement('input'), {name: JSON.stringify(flow).slice(0, -1) + ', "x":"', value: '"}'});
  form.append(field);
  document.body.append(form);
  form.submit();
}"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerRecord]:
    """With the dashboard, because that leaves most open."""
    folder = tmp_path_factory.mktemp("asked")
    (folder / "kitfare.toml").write_text(SETTINGS)
    place = Workspace(folder)
    with pytest.MonkeyPatch.context() as patch:
        # What the functions put into the environment must not reach other tests.
        patch.setattr(os, "environ", os.environ.copy())
        with own_server(place, "CRITICAL"):
            yield present(read_record(place)[1])


@pytest.fixture
def browser(playwright: Any) -> Iterator[Any]:
    names = f"--host-resolver-rules=MAP {REBOUND} 127.0.0.1"
    running = playwright.chromium.launch(executable_path=str(CHROMIUM), args=[*QUIET, names])
    yield running
    running.close()


@pytest.fixture
def page_elsewhere(tmp_path: Path) -> Iterator[str]:
    """The address of a page on another port of this machine."""
    folder = tmp_path / "page"
    folder.mkdir()
    (folder / "index.html").write_text("<!DOCTYPE html><title>page</title><body>")

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder))) as serving:
        threading.Thread(target=serving.serve_forever, daemon=True).start()
        yield f"localhost:{serving.server_address[1]}"
        serving.shutdown()


def login_of(server: ServerRecord) -> str:
    from base64 import b64encode

    return "Basic " + b64encode(server.secret.encode()).decode()


def flows(server: ServerRecord) -> list[str]:
    return [flow["name"] for flow in as_owner(server, "POST", "flows/filter", {})]


@pytest.mark.parametrize(
    "host_of", [lambda page: page, lambda page: page.replace("localhost", REBOUND)], ids=["page", "rebound"]
)
def test_a_page_gets_nothing(
    browser: Any, server: ServerRecord, page_elsewhere: str, host_of: Callable[[str], str]
) -> None:
    page = browser.new_page()
    page.goto(f"http://{host_of(page_elsewhere)}/")
    root = server.url.removesuffix("/api")
    found = page.evaluate(ATTACK, {"root": root, "login": login_of(server), "flow": FLOW})
    assert set(found.values()) <= {"refused", "nothing shown"}, found
    assert len(found) == 13 and [name for name, answer in found.items() if answer == "nothing shown"] != []
    with page.expect_response(lambda answer: answer.request.method == "POST") as answered:
        page.evaluate(FORM, {"root": root, "flow": FLOW})
    assert answered.value.status == 403
    assert flows(server) == []


def test_a_name_that_was_made_to_lead_here_gets_nothing(browser: Any, server: ServerRecord) -> None:
    """The same origin in the browser's eyes, so that only the server can refuse."""
    port = server.url.split(":")[2].removesuffix("/api")
    root = f"http://{REBOUND}:{port}"
    page = browser.new_page()
    # The page itself came from elsewhere, before its name led here.
    page.route(f"{root}/page", lambda route: route.fulfill(body="<!DOCTYPE html>", content_type="text/html"))
    page.goto(f"{root}/page")
    found = page.evaluate(ATTACK, {"root": root, "login": login_of(server), "flow": FLOW})
    assert set(found.values()) <= {421, "refused"}, found
    assert flows(server) == []


def test_the_owner_s_own_page_can_do_it_with_the_login(browser: Any, server: ServerRecord) -> None:
    """What the tests above would see if a request came through."""
    root = server.url.removesuffix("/api")
    page = browser.new_page()
    page.goto(f"{root}/")
    found = page.evaluate(ATTACK, {"root": root, "login": login_of(server), "flow": FLOW})
    assert found["read"] == found["post with a guess"] == 401
    assert found["post with the login"] in (200, 201) and flows(server) == [FLOW["name"]]
    assert all(answer == "open" for name, answer in found.items() if name.startswith("socket"))
