"""What stands before Prefect's server, request by request."""

import asyncio
from base64 import b64encode
from collections.abc import MutableMapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.flows.scheduler.server_guard import Guard

HOST = "127.0.0.1:4207"
SECRET = "kitfare:aSecretOfTheServer"
LOGIN = "Basic " + b64encode(SECRET.encode()).decode()


def answer(
    headers: list[tuple[str, str]],
    *,
    kind: str = "http",
    method: str = "POST",
    path: str = "/api/x",
    shows: bool = False,
) -> int:
    """The status of the answer: 200 if the request came through; for a refused websocket 403, as servers make of it."""
    sent: list[MutableMapping[str, Any]] = []

    async def behind(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200})

    async def receive() -> Any:
        return {"type": f"{kind}.connect"}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    encoded = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in headers]
    scope = {"type": kind, "method": method, "path": path, "headers": encoded}
    guard = Guard(behind, HOST, SECRET, shows_dashboard=shows)
    # In a thread of its own: the browser of other tests leaves a running loop in this one.
    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(guard(scope, receive, send))).result()
    assert not any(message.get("body") for message in sent), "a refusal says nothing"
    return int(sent[0].get("status", 403))


def test_the_owner_comes_through() -> None:
    assert answer([("host", HOST), ("authorization", LOGIN)]) == 200
    assert answer([("Host", HOST), ("Authorization", LOGIN), ("Origin", f"http://{HOST}")]) == 200
    assert answer([("host", HOST)], kind="websocket") == 200, "Prefect asks for the secret in the first message"


@pytest.mark.parametrize(
    "login",
    [
        "", "Basic", "Basic ", "basic " + LOGIN[6:], "Bearer " + LOGIN[6:], LOGIN[:-1], LOGIN + "=", LOGIN.lower(), SECRET,
        "Basic " + b64encode(b"kitfare:").decode(), "Basic é", "Basic " + b64encode(b"admin:pass").decode(),
    ],
)  # fmt: skip
def test_another_login_is_refused(login: str) -> None:
    assert answer([("host", HOST), ("authorization", login)]) == 401
    assert answer([("host", HOST), ("authorization", LOGIN), ("authorization", login)]) == 401


@given(st.text(st.characters(max_codepoint=255)))
def test_no_text_is_a_login(text: str) -> None:
    assert answer([("host", HOST), ("authorization", text)]) == (200 if text == LOGIN else 401)


@pytest.mark.parametrize(
    "path", ["/", "/api/health", "/api/ready", "/docs", "/openapi.json", "/api/openapi.json", "/x"]
)
@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS", "POST", "DELETE"])
def test_nothing_is_open(path: str, method: str) -> None:
    assert answer([("host", HOST)], method=method, path=path) == 401


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize(
    "host", ["localhost:4207", "127.0.0.1", "rebound.invalid:4207", "127.0.0.1:4208", "", HOST + ".rebound.invalid"]
)
def test_another_name_is_refused(host: str, kind: str) -> None:
    """A page whose own name was made to lead here."""
    login = ("authorization", LOGIN)
    assert answer([("host", host), login], kind=kind) == (421 if kind == "http" else 403)
    assert answer([("host", HOST), ("host", host), login], kind=kind) != 200
    assert answer([login], kind=kind) != 200


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize("origin", ["http://localhost:4207", "null", "", "https://" + HOST, "http://rebound.invalid"])
def test_another_page_is_refused_even_with_the_secret(origin: str, kind: str) -> None:
    assert answer([("host", HOST), ("authorization", LOGIN), ("origin", origin)], kind=kind) == 403


@pytest.mark.parametrize(("path", "status"), [("/", 200), ("/v2/runs", 200), ("/ui-settings", 200), ("/apix", 200)])
def test_the_dashboard_s_files_are_open_where_it_is_shown(path: str, status: int) -> None:
    assert answer([("host", HOST)], method="GET", path=path, shows=True) == status
    assert answer([("host", HOST)], method="POST", path=path, shows=True) == 401
    assert answer([("host", "rebound.invalid")], method="GET", path=path, shows=True) == 421


@pytest.mark.parametrize("path", ["/api", "/api/", "/api/health", "//api/flows", "///api"])
def test_the_api_is_not_open_with_the_dashboard(path: str) -> None:
    assert answer([("host", HOST)], method="GET", path=path, shows=True) == 401
