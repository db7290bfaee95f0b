"""Real Prefect runs: steps become tasks, values stay out of Prefect, errors arrive as they were, and nothing is called outside."""

import ipaddress
import json
import os
import pty
import re
import shutil
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from tests.builders.programs import trivial_steps
from tests.builders.workspaces import make_workspace

HERE = Path(__file__).parent
LEAST_SETTINGS = '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n[prefect]\nstep_timeout_seconds = 5\n'
KITFARE = str(Path(sys.executable).with_name("kitfare"))


def environment(home: Path, **more: str) -> dict[str, str]:
    """A user's environment at its most awkward: a home of its own, settings for another Prefect, a proxy."""
    kept = {
        name: value for name, value in os.environ.items() if name not in ("CI", "DO_NOT_TRACK", "NO_PROXY", "no_proxy")
    }
    kept = {name: value for name, value in kept.items() if not name.startswith("PREFECT_")}
    proxy = dict.fromkeys(("HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy", "ALL_PROXY"), "http://192.0.2.1:9")
    other = {"PREFECT_API_URL": "https://192.0.2.2/api", "PREFECT_API_KEY": "x", "PREFECT_PROFILE": "none-such"}
    return {**kept, **proxy, **other, "HOME": str(home), "PYTHONDONTWRITEBYTECODE": "1", **more}


@pytest.fixture
def home(tmp_path: Path) -> Any:
    folder = tmp_path / "home"
    folder.mkdir()
    return folder


def test_trivial_steps_as_real_runs(tmp_path: Path, home: Any) -> None:
    root = tmp_path / "space"
    root.mkdir()
    (root / "kitfare.toml").write_text(LEAST_SETTINGS)
    program = [sys.executable, trivial_steps.__file__, str(root)]
    result = subprocess.run(program, capture_output=True, text=True, timeout=400, env=environment(home), cwd=tmp_path)
    assert result.returncode == 0, result.stderr
    assert not result.stderr, "Prefect spoke over the command's own messages"
    found = json.loads(result.stdout)
    assert found["refresh_id"] == "night-1" and found["progress"] == [["counting", 1, 2]]
    assert found["same_error"] is True
    assert found["intake_tries"] == 2, "a step that takes files in is tried again"
    assert found["tries"]["plan the purchases"] == 1, "a step that reads nothing from outside is not tried again"
    assert found["flow_states"] == [*["COMPLETED"] * 2, *["FAILED"] * 5]
    assert found["task_states"] == [
        "plan the purchases: FAILED", "publish: FAILED", *["read inputs: COMPLETED"] * 5,
        *["take in dropped files: COMPLETED"] * 5, "write the pages: FAILED",
    ]  # fmt: skip
    assert found["tries"]["publish"] == 1 and "the disk is full" in found["publish_error"], (
        "publishing is never tried again"
    )
    assert found["tries"]["write the pages"] == 1, "a step that took too long is not tried again"
    assert "took longer than 5 s" in found["timeout_error"] and "write the pages" in found["timeout_error"]
    assert "step_timeout_seconds" in found["timeout_error"] and found["timeout_error"].startswith("KitfareError")

    assert found["parameters"] == ["priced_on"], "the workspace is the deployment's"
    assert found["wrong_date"].startswith("ParameterTypeError") and "priced_on" in found["wrong_date"]
    assert found["no_workspace"].startswith("UsageError") and "KITFARE_WORKSPACE" in found["no_workspace"]
    said = "\n".join(found["logs"])
    assert "parts.csv is broken" in said and "next:  raise step_timeout_seconds" in said
    assert "killed, or the memory ran out" in said and "run `kitfare refresh`, which starts cleanly" in said
    assert found["task_inputs"] == []
    assert "12.50" in found["artifacts"]["model-cost"]
    assert "index.html" in found["artifacts"]["published-pages"]
    assert not list(home.iterdir()), "something was written outside the workspace"


def test_a_refresh_with_prefect_calls_nothing_outside(tmp_path: Path, home: Any) -> None:
    """In a terminal of its own, because the library reports first uses only from there."""
    place = make_workspace(tmp_path / "space")
    record, trace = tmp_path / "record.txt", tmp_path / "trace.txt"
    env = environment(home, PYTHONPATH=str(HERE / "network_guard"), NETWORK_RECORD=str(record))
    said, code = in_terminal([*tracing(trace), KITFARE, "refresh", "--prefect", "--workspace", str(place.root)], env)
    assert code == 0, said
    assert (place.database).is_file()

    watched, turned_to = read_record(record)
    assert any("refresh --prefect" in program for program in watched)
    assert any("pipelines.flows.scheduler.prefect_server" in program for program in watched)
    assert any(event == "socket.connect" and "127.0.0.1" in host for event, host in turned_to), (
        "nothing was seen at all"
    )
    assert [(event, host) for event, host in turned_to if not is_here(host)] == []
    assert not list(home.iterdir()), "something was written outside the workspace"
    if tracing(trace):
        addresses = traced_addresses(trace.read_text(errors="replace"))
        assert "127.0.0.1" in addresses
        assert [address for address in addresses if not is_here(address)] == []


def test_the_watch_sees_what_it_should(tmp_path: Path) -> None:
    """The same watch on a process that turns outside, without a packet being sent."""
    record = tmp_path / "record.txt"
    program = "import sys; sys.audit('socket.connect', None, ('192.0.2.1', 9)); sys.audit('socket.getaddrinfo', 'example.invalid', 1)"
    env = {**os.environ, "PYTHONPATH": str(HERE / "network_guard"), "NETWORK_RECORD": str(record)}
    subprocess.run([sys.executable, "-c", program], check=True, env=env)
    watched, turned_to = read_record(record)
    assert len(watched) == 1
    assert [host for _, host in turned_to if not is_here(host)] == ["'192.0.2.1'", "'example.invalid'"]
    text = '7 connect(5, {sa_family=AF_INET, sin_port=htons(53), sin_addr=inet_addr("192.0.2.1")}, 16) = 0\n'
    text += '7 connect(5, {sa_family=AF_INET6, sin6_port=htons(80), inet_pton(AF_INET6, "2001:db8::1", &sin6_addr)}, 28) = 0\n'
    assert traced_addresses(text) == {"192.0.2.1", "2001:db8::1"}


def read_record(record: Path) -> tuple[list[str], list[tuple[str, ...]]]:
    """The programs that were watched, and the events with the hosts they name."""
    lines = [tuple(line.split("\t", 1)) for line in record.read_text().splitlines()]
    return [detail for event, detail in lines if event == "watching"], [line for line in lines if line[0] != "watching"]


def is_here(host: str) -> bool:
    """Whether a recorded address stays on this machine: loopback, a socket file, or no host at all."""
    name = host.strip("'\"b")
    if name in ("None", "", "localhost") or name.startswith(("/", "\\x00")):
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def tracing(trace: Path) -> list[str]:
    """The system's own watch, where there is one: it sees compiled libraries too. It stops at the watched calls alone."""
    strace = [shutil.which("strace") or "", "-f", "--seccomp-bpf"]
    if not strace[0] or subprocess.run([*strace, "-o", os.devnull, "true"], capture_output=True).returncode:
        return []
    return [*strace, "-qq", "-e", "trace=connect,sendto,sendmsg,sendmmsg", "-o", str(trace)]


def traced_addresses(trace: str) -> set[str]:
    return set(re.findall(r'(?:inet_addr\(|inet_pton\(AF_INET6, )"([^"]+)"', trace))


def in_terminal(command: list[str], env: dict[str, str]) -> tuple[str, int]:
    """What a command says on a terminal, and its exit code."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=env, start_new_session=True)
    os.close(theirs)
    said: list[bytes] = []

    def listen() -> None:
        try:
            while data := os.read(ours, 4096):
                said.append(data)
        except OSError:  # how Linux reports that the last one has hung up
            pass

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    try:
        code = process.wait(500)
    finally:
        process.kill()
    listener.join(10)
    os.close(ours)
    return b"".join(said).decode(errors="replace"), code
