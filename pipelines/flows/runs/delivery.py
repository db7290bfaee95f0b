"""Passes notices on to programs and to mailers of this machine, each until it has succeeded once. Nothing here raises.

A program runs without a shell and in a session of its own. A child that it leaves behind keeps nobody waiting; when its time is
over, it ends with all its children.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from email.message import EmailMessage
from hashlib import sha256

from pipelines.flows import file_lock
from pipelines.flows.runs import notices, run_record
from pipelines.flows.runs.run_record import Notice, Run
from pipelines.settings import Settings
from pipelines.settings_watches import Notify
from pipelines.workspace import Workspace

WATCH_SECONDS = 600.0
"""How often a schedule looks for notices to pass on."""
KEPT_TRIES = 5
"""Tries to pass a notice on that its record keeps, the latest ones."""
KEPT_OUTPUT = 2000
"""Letters of a program's output that the record keeps, the last ones."""


def pass_on(workspace: Workspace) -> list[str]:
    """Make the notices that are due, and pass on all that someone has not got yet; returns what failed, in words.

    A recipient whose program fails gets nothing more in this round: the rest would fail too, each after its time limit.
    """
    settings = notices.settings_or_last(workspace)
    if settings is None or not workspace.runs.is_dir():
        return []
    try:
        with _only_one(workspace) as is_ours:
            if not is_ours:
                return []
            notices.make_missing(workspace, settings)
            if settings.notify and (refusal := workspace.why_no_commands()):
                return [refusal]
            return list(dict.fromkeys(_pass_on_all(workspace, settings)))
    except OSError as error:
        return [f"news could not be passed on: {error.strerror or error} ({workspace.runs})"]


def watch_over(workspace: Workspace, say: Callable[[str], None], done: threading.Event) -> None:
    """Pass notices on again and again while a schedule runs: a refresh that is overdue has nobody else to notice it."""
    said: list[str] = []
    while not done.wait(WATCH_SECONDS):
        try:
            failures = pass_on(workspace)
        except Exception as error:  # the schedule goes on
            failures = [f"news could not be passed on: {type(error).__name__}: {error}"]
        for failure in failures:
            if failure not in said:
                say(failure)
        said = failures


def waiting(workspace: Workspace) -> list[tuple[Run, str, Notice]]:
    """Notices that someone has not got yet, oldest first."""
    runs = list(run_record.newest_first(workspace))
    return [
        (run, kind, notice)
        for run in reversed(runs)
        for kind, notice in sorted(run.notices.items())
        if not notice.is_settled
    ]


def _pass_on_all(workspace: Workspace, settings: Settings) -> Iterator[str]:
    failing: set[str] = set()
    for run, kind, notice in waiting(workspace):
        for recipient in _still_to_get(kind, notice, settings):
            name = name_of(recipient)
            if name in failing:
                continue
            fault, output = _give(recipient, kind, notice, workspace)
            attempt = {"at": run_record.utc_now().isoformat(), "to": name, "fault": fault, "output": output}
            notice = replace(
                notice,
                delivered_to=(*notice.delivered_to, *([] if fault else [name])),
                tries=(*notice.tries, attempt)[-KEPT_TRIES:],
            )
            # After each one: a kill while the next is at work must not repeat it.
            _keep(workspace, run.run_number, kind, notice)
            if fault:
                failing.add(name)
                yield f"notify: {name}: {fault}; it is tried again later"
        # Who is named later does not get what is old.
        if not _still_to_get(kind, notice, settings):
            _keep(workspace, run.run_number, kind, replace(notice, is_settled=True))


def _keep(workspace: Workspace, run_number: int, kind: str, notice: Notice) -> None:
    run_record.change(workspace, run_number, lambda run: replace(run, notices={**run.notices, kind: notice}))


def _still_to_get(kind: str, notice: Notice, settings: Settings) -> list[Notify]:
    return [each for each in settings.notify if kind in each.about and name_of(each) not in notice.delivered_to]


def name_of(recipient: Notify) -> str:
    """The address, or the command as one line."""
    return recipient.mail_to or " ".join(recipient.command)


def _give(recipient: Notify, kind: str, notice: Notice, workspace: Workspace) -> tuple[str, str]:
    """The fault in words, empty if there was none, and the end of the program's output."""
    if recipient.mail_to:
        content = mail(recipient.mail_to, notice, workspace)
        return run_program([*recipient.mailer, recipient.mail_to], content, workspace, recipient.seconds)
    content = json.dumps(notices.as_json(kind, notice), indent=2).encode("ascii") + b"\n"
    return run_program(recipient.command, content, workspace, recipient.seconds)


def mail(address: str, notice: Notice, workspace: Workspace) -> bytes:
    """A mail as a mailer reads it; its Message-ID follows from the notice, so that a repeat can be recognised."""
    subject, _, body = _sayable(notice.text).partition("\n")
    message = EmailMessage()
    message["To"] = address
    message["Subject"] = "".join(letter if letter.isprintable() else " " for letter in subject)
    place = sha256(os.fsencode(workspace.root.resolve())).hexdigest()[:16]
    message["Message-ID"] = f"<{notice.notice_id}.{place}@kitfare.invalid>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(f"{body or subject}\n")
    return message.as_bytes()


def _sayable(text: str) -> str:
    """Text that can be written as UTF-8: the name of a file need not be."""
    return text.encode("utf-8", "backslashreplace").decode()


def run_program(command: Sequence[str], content: bytes, workspace: Workspace, seconds: int) -> tuple[str, str]:
    """Run a program in the workspace with this standard input; its fault in words, empty if none, and the end of its output."""
    with tempfile.TemporaryFile() as given:
        given.write(content)
        given.seek(0)
        try:
            process = subprocess.Popen(
                command,
                stdin=given,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                cwd=workspace.root,
                # Among Prefect's is the login of our server, which is no business of this program.
                env={name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")},
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            return f"could not be run: {error}", ""
    assert process.stdout is not None
    with process.stdout:
        try:
            output = _follow(process, process.stdout.fileno(), time.monotonic() + seconds)
        finally:
            is_late = process.poll() is None
            if is_late:
                with suppress(ProcessLookupError, PermissionError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait()
    fault = f"ended with exit code {process.returncode}" if process.returncode else ""
    if is_late:
        fault = f"was stopped after {seconds} s"
    last = output.strip().splitlines()[-1:]
    return (f"{fault}: {last[0]}" if fault and last else fault), output


def _follow(process: subprocess.Popen[bytes], handle: int, until: float) -> str:
    """The end of what a program says, until it ends or its time is over; children that go on are not waited for."""
    os.set_blocking(handle, False)
    kept, is_open = b"", True
    while True:
        has_ended = process.poll() is not None
        while is_open and (block := _available(handle)) is not None:
            is_open = bool(block)
            kept = (kept + block)[-4 * KEPT_OUTPUT :]
            if time.monotonic() > until:
                break
        if has_ended or time.monotonic() > until:
            return kept.decode("utf-8", "replace")[-KEPT_OUTPUT:]
        time.sleep(0.02)


def _available(handle: int) -> bytes | None:
    """What can be read without waiting: nothing (None), or b"" at the end."""
    try:
        return os.read(handle, 65536)
    except BlockingIOError:
        return None


@contextmanager
def _only_one(workspace: Workspace) -> Iterator[bool]:
    """Whether nobody else is passing notices on; so that two do not give the same one at the same time."""
    handle = os.open(workspace.runs / ".passing_on", os.O_CREAT | os.O_RDWR, 0o644)
    try:
        yield file_lock.take_lock(handle)
    finally:
        os.close(handle)
