"""The process that is the workspace's Prefect server. Started by ``local_prefect``; ends when its parent does.

It keeps a lock on server.url while it runs, so that the file is true exactly while the lock is taken.
"""

import os
import signal
import socket
import sys
import threading
from pathlib import Path

from pipelines.flows.file_lock import take_lock

LOOPBACK = "127.0.0.1"
ALREADY_RUNNING = 4
"""Exit code when another process has the lock."""


def main() -> None:
    """Serve Prefect's API for the folder named on the command line, on a free port of the loopback address."""
    url_file = Path(sys.argv[1]) / "server.url"
    lock = os.open(url_file, os.O_CREAT | os.O_RDWR, 0o600)
    if not take_lock(lock):
        sys.exit(ALREADY_RUNNING)
    os.truncate(lock, 0)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with socket.create_server((LOOPBACK, 0)) as listening:
        port = listening.getsockname()[1]
        os.environ["PREFECT_SERVER_API_HOST"], os.environ["PREFECT_SERVER_API_PORT"] = LOOPBACK, str(port)
        _serve(listening, lock, f"http://{LOOPBACK}:{port}/api")


def _serve(listening: socket.socket, lock: int, url: str) -> None:
    import uvicorn
    from prefect.server.api.server import create_app

    config = uvicorn.Config(create_app(final=True), log_level="warning", timeout_graceful_shutdown=3)
    os.write(lock, f"{url} {os.getpid()}".encode())
    uvicorn.Server(config).run(sockets=[listening])


def _end_with_parent() -> None:
    """The parent holds the other end of standard input; however it ends, that end closes."""
    while sys.stdin.buffer.read(1024):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
