"""What stands before Prefect's server: nothing passes without the server's secret, its own name and its own pages."""

from __future__ import annotations

import hmac
from base64 import b64encode
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class Guard:
    """An ASGI application around another one; says no before the other sees the request.

    Prefect asks for its secret too, but leaves some addresses open and looks at neither Host nor Origin. Messages of a
    websocket are Prefect's to check: a browser cannot send a header with one.

    Args:
        app: Prefect's.
        host: the only name of this server, such as 127.0.0.1:4200. A page whose own name leads here has another one.
        secret: ``user:password``.
        shows_dashboard: whether the files of the dashboard, which are the same everywhere, are served without the secret.
    """

    def __init__(self, app: App, host: str, secret: str, *, shows_dashboard: bool) -> None:
        self.app = app
        self.host = host.encode()
        self.login = b"Basic " + b64encode(secret.encode())
        self.shows_dashboard = shows_dashboard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request that may not pass; hand on all else."""
        status = 0 if scope["type"] == "lifespan" else self._refusal(scope)
        if not status:
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            headers = [(b"content-length", b"0"), (b"connection", b"close")]
            await send({"type": "http.response.start", "status": status, "headers": headers})
            await send({"type": "http.response.body", "body": b""})

    def _refusal(self, scope: Scope) -> int:
        """The status with which a request is refused, or 0."""
        sent = [(name.lower(), value) for name, value in scope["headers"]]
        if [value for name, value in sent if name == b"host"] != [self.host]:
            return 421
        if any(value != b"http://" + self.host for name, value in sent if name == b"origin"):
            return 403
        if scope["type"] == "websocket" or (self.shows_dashboard and _is_dashboard(scope)):
            return 0
        logins = [value for name, value in sent if name == b"authorization"]
        return 0 if len(logins) == 1 and hmac.compare_digest(logins[0], self.login) else 401


def _is_dashboard(scope: Scope) -> bool:
    path = scope["path"].lstrip("/")
    return scope["method"] in ("GET", "HEAD") and path != "api" and not path.startswith("api/")
