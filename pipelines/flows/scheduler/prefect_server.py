"""The process that is the workspace's Prefect server. Started by ``local_prefect``; ends when its parent does.

Arguments: the folder of Prefect, and the number of the open socket to listen on. The secret is in the environment.
"""

import os
import socket
import sys
import threading
import time
from pathlib import Path

from pipelines.flows.file_lock import take_lock
from pipelines.flows.scheduler.server_guard import Guard

LOCK_SECONDS = 60
"""How long to wait for the end of a server before."""


def main() -> None:
    """Serve Prefect's API until the parent stops it or ends."""
    home, listening = Path(sys.argv[1]), socket.socket(fileno=int(sys.argv[2]))
    os.umask(0o077)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # A server whose parent was killed ends a moment later; two must not change the data base's tables at once.
    lock = os.open(home / "server.lock", os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600)
    deadline = time.monotonic() + LOCK_SECONDS
    while not take_lock(lock):
        if time.monotonic() > deadline:
            sys.exit(f"another server still uses {home}")
        time.sleep(0.05)
    host, port = listening.getsockname()
    own_name = f"{host}:{port}"
    os.environ |= {
        "PREFECT_SERVER_API_HOST": host,
        "PREFECT_SERVER_API_PORT": str(port),
        # Prefect's default lets every web page in.
        "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": f"http://{own_name}",
    }
    _serve(listening, own_name)


def _serve(listening: socket.socket, own_name: str) -> None:
    import uvicorn
    from prefect.server.api.server import create_app

    guarded = Guard(
        create_app(final=True),
        own_name,
        os.environ["PREFECT_SERVER_API_AUTH_STRING"],
        shows_dashboard=os.environ["PREFECT_SERVER_UI_ENABLED"] == "true",
    )
    config = uvicorn.Config(
        guarded, log_level="warning", timeout_graceful_shutdown=3, proxy_headers=False, server_header=False
    )
    uvicorn.Server(config).run(sockets=[listening])


def _end_with_parent() -> None:
    """The parent keeps the other end of standard input; however it ends, that end closes.

    At once, without ceremony: the next server waits for this one. The data base stands a kill at any moment.
    """
    while os.read(sys.stdin.fileno(), 1024):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
