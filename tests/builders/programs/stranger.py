"""Run as a program, by another user of the machine: tries everything on a Prefect server, says what came of it as JSON.

Needs nothing but Python itself. Standard input: JSON with ``port``, ``routes`` (method and path), ``files`` to read,
``other_ports``, and ``secret`` (a guess, or the real one to show that the same steps would succeed with it).
"""

import json
import os
import socket
import sys
import urllib.error
import urllib.request
from base64 import b64encode
from concurrent.futures import ThreadPoolExecutor
from typing import Any

SOCKETS = (
    "/api/events/in",
    "/api/events/out",
    "/api/logs/out",
    "/api/task_runs/subscriptions/scheduled",
    "/api/work_pools/x/workers/connect",
)


def status_of(port: int, method: str, path: str, secret: str, body: bytes) -> tuple[int, bytes]:
    headers = {"content-type": "application/json"}
    if secret:
        headers["authorization"] = "Basic " + b64encode(secret.encode()).decode()
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", body or None, headers, method=method)
    try:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=30) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


def says(port: int, *data: bytes) -> bytes:
    """What a port answers, one piece of data after the other, until it hangs up or says nothing for some seconds."""
    heard = b""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=7) as line:
            for place, piece in enumerate(data):
                line.sendall(piece)
                while more := line.recv(65536):
                    heard += more
                    if b"auth_success" in heard or (place + 1 < len(data) and b"\r\n\r\n" in heard):
                        break
    except OSError:
        pass
    return heard


def frame(message: object) -> bytes:
    """A message as a websocket frame; its mask is zero, so that the text stays as it is."""
    data = json.dumps(message).encode()
    assert len(data) < 126
    return bytes([0x81, 0x80 | len(data), 0, 0, 0, 0]) + data


def socket_answer(port: int, path: str, secret: str, protocol: str, first: object) -> bytes:
    lines = [f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{port}", "Upgrade: websocket", "Connection: Upgrade"]
    lines += ["Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==", "Sec-WebSocket-Version: 13"]
    lines += [f"Sec-WebSocket-Protocol: {protocol}"] if protocol else []
    return says(port, "\r\n".join([*lines, "", ""]).encode(), frame(first))


def readable(path: str) -> bool:
    try:
        with open(path, "rb") as file:  # noqa: PTH123  (a folder, too, must say no)
            file.read(1)
    except PermissionError:
        return False
    except IsADirectoryError:
        return bool(os.listdir(path))  # noqa: PTH208
    return True


def main() -> None:
    given: dict[str, Any] = json.load(sys.stdin)
    port, secret = given["port"], given["secret"]
    answers = {
        f"{method} {path}": status_of(port, method, path, secret, b"{}" if method not in ("GET", "HEAD") else b"")
        for method, path in given["routes"]
    }
    firsts = ({"type": "auth", "token": secret}, {"type": "auth"}, {"type": "filter", "filter": {}})
    tries = [(path, protocol, first) for path in SOCKETS for protocol in ("prefect", "") for first in firsts]
    with ThreadPoolExecutor(len(tries)) as pool:  # a refused socket may stay open and silent for some seconds
        heard_by_socket = pool.map(lambda one: socket_answer(port, one[0], secret, one[1], one[2]), tries)
        sockets = {
            f"{path} {protocol} {first}": heard
            for (path, protocol, first), heard in zip(tries, heard_by_socket, strict=True)
        }
    found = {
        "user": os.geteuid(),
        "statuses": {route: status for route, (status, _) in answers.items()},
        "bodies": {route: body.decode(errors="replace")[:200] for route, (_, body) in answers.items()},
        "logged_in": [name for name, heard in sockets.items() if b"auth_success" in heard],
        "heard": {other: says(other, b"A" * 32 + b"\n").hex() for other in given["other_ports"]},
        "readable": [path for path in given["files"] if readable(path)],
    }
    print(json.dumps(found))


if __name__ == "__main__":
    main()
