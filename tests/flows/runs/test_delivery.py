"""Who hears of what: each notice until it was passed on once, whatever fails, and never twice without need."""

import email
import email.policy
import json
import stat
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import InputError, SettingsError
from pipelines.flows.runs import delivery, run_record
from pipelines.intake.archiving import archive, journal
from pipelines.workspace import Workspace
from tests.builders.runs import NOTE_DOWN, aged, bare_workspace, heard, one_run, program, rewritten
from tests.present import present

SHELL = 'command = ["sh", "-c", '


def failing_run(place: Workspace, what: str = "a table is wrong") -> run_record.Run:
    return one_run(place, error=InputError(what, where="parts.csv:3"))


def test_a_failure_is_heard_of_at_once_and_only_once(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    run = failing_run(place)
    (news,) = heard(place)
    assert (news["kind"], news["outcome"], news["exit_code"]) == ("failed", "failed", 3)
    assert news["notice_id"] == f"failed-{run.stamp}" and "parts.csv:3" in news["why"]
    assert news["text"].startswith("kitfare: the refresh of ") and "`kitfare status`" in news["text"]
    one_run(place)
    delivery.pass_on(place)
    assert len(heard(place)) == 1


def test_what_fails_is_tried_again_until_it_succeeds_once_with_the_same_id(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(f"{NOTE_DOWN}; print('no bell'); sys.exit(3 * (not open('bell').read()))"))  # fmt: skip
    (tmp_path / "bell").write_text("")
    failing_run(place)
    words = delivery.pass_on(place)
    assert len(words) == 1 and words[0].endswith("ended with exit code 3: no bell; it is tried again later")
    (tmp_path / "bell").write_text("rings")
    one_run(place)
    assert delivery.pass_on(place) == [] and len(heard(place)) == 3
    assert len({news["notice_id"] for news in heard(place)}) == 1
    tries = present(run_record.read(place, 1)).notices["failed"].tries
    assert [bool(attempt["fault"]) for attempt in tries] == [True, True, False] and tries[0]["output"] == "no bell\n"


def test_one_that_fails_is_asked_once_in_a_round(tmp_path: Path) -> None:
    """Or a mailer that waits for its time limit would keep a refresh for as long as there is news."""
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(f"{NOTE_DOWN}; sys.exit(1)"))
    for what in ("one", "two", "three"):
        failing_run(place, what)
    assert [news["why"].splitlines()[0] for news in heard(place)] == ["one"] * 3
    assert len(delivery.waiting(place)) == 3


def test_each_hears_of_its_own_and_one_that_fails_keeps_no_other_from_it(tmp_path: Path) -> None:
    place = bare_workspace(
        tmp_path,
        f'[[notify]]\nabout = ["failed"]\n{SHELL}"exit 1"]\n[[notify]]\nabout = ["overdue"]\n{SHELL}"touch overdue"]\n'
        + "[[notify]]\n"
        + program(NOTE_DOWN),
    )
    failing_run(place)
    failing_run(place, "another")
    delivery.pass_on(place)
    assert not (tmp_path / "overdue").exists()
    assert [news["why"].splitlines()[0] for news in heard(place)] == ["a table is wrong", "another"]


def test_who_is_named_later_does_not_get_what_is_old(tmp_path: Path) -> None:
    failing_run(bare_workspace(tmp_path))
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    delivery.pass_on(place)
    assert heard(place) == []
    failing_run(place)
    assert len(heard(place)) == 1


def test_a_failure_on_a_terminal_is_no_news(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    one_run(place, error=InputError("a table is wrong"), is_attended=True)
    delivery.pass_on(place)
    assert heard(place) == []


def test_a_killed_run_is_heard_of_by_whoever_comes_next(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    rewritten(place, one_run(place), outcome="running", ended_at=None)
    delivery.pass_on(place)
    one_run(place)
    (news,) = heard(place)
    assert news["outcome"] == "killed" and "killed" in news["text"].splitlines()[0]


def test_an_overdue_refresh_is_heard_of_once_until_one_succeeds(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[refresh]\nexpected_every_hours = 30\n[[notify]]\n" + program(NOTE_DOWN))
    aged(place, one_run(place), hours=29.9)
    assert delivery.pass_on(place) == [] == heard(place)
    aged(place, present(run_record.read(place, 1)), hours=30.1)
    for _ in range(3):
        delivery.pass_on(place)
    assert [news["kind"] for news in heard(place)] == ["overdue"]
    failing_run(place)
    assert [news["kind"] for news in heard(place)] == ["overdue", "failed"]
    aged(place, one_run(place), days=3)
    delivery.pass_on(place)
    assert [news["kind"] for news in heard(place)] == ["overdue", "failed", "overdue"]


def test_nothing_is_overdue_where_nothing_is_expected(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[refresh]\nexpected_every_hours = 0\n[[notify]]\n" + program(NOTE_DOWN))
    aged(place, one_run(place), days=300)
    delivery.pass_on(place)
    assert heard(place) == []


def mailer(folder: Path, exit_code: int = 0) -> Path:
    path = folder / "mailer"
    path.write_text(f'#!/bin/sh\necho "$@" > arguments\ncat > mail\nexit {exit_code}\n')
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_a_mail_goes_to_the_mailer_of_the_machine(tmp_path: Path) -> None:
    settings = f'[[notify]]\nmail_to = "someone@example.org"\nmailer = ["{mailer(tmp_path)}", "-i"]\n'
    place = bare_workspace(tmp_path, settings)
    run = failing_run(place, "caf\udce9.csv Ł\x1b is wrong")
    assert (tmp_path / "arguments").read_text() == "-i someone@example.org\n"
    mail = email.message_from_bytes((tmp_path / "mail").read_bytes(), policy=email.policy.default)
    assert mail["To"] == "someone@example.org" and mail["Subject"].startswith("kitfare: the refresh of ")
    assert f"failed-{run.stamp}" in mail["Message-ID"] and mail["Auto-Submitted"] == "auto-generated"
    assert "caf\\udce9.csv Ł" in mail.get_content() and "parts.csv:3" in mail.get_content()


def test_a_mailer_that_is_not_there_is_tried_again(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, f'[[notify]]\nmail_to = "me"\nmailer = ["{tmp_path}/mailer"]\n')
    failing_run(place)
    assert "could not be run" in delivery.pass_on(place)[0]
    mailer(tmp_path, exit_code=75)
    assert "exit code 75" in delivery.pass_on(place)[0]
    mailer(tmp_path)
    assert delivery.pass_on(place) == [] == delivery.waiting(place)
    assert b"me" in (tmp_path / "mail").read_bytes()


@pytest.mark.parametrize(
    "address", ["-oQ/tmp", "a b@example.org", "a@example.org\nBcc: b@example.org", "a@b,c@d", "<a@b>"]
)
def test_an_address_that_is_more_than_one_or_an_option_is_refused(address: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="mail_to"):
        bare_workspace(tmp_path, f"[[notify]]\nmail_to = {json.dumps(address)}\n").settings()


@pytest.mark.parametrize("settings", ["", 'command = ["x"]\nmail_to = "a@b"\n'])
def test_whoever_hears_is_a_program_or_an_address(settings: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="either a command or mail_to"):
        bare_workspace(tmp_path, f"[[notify]]\n{settings}").settings()


def test_a_program_is_stopped_with_its_children_and_keeps_nobody_waiting(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    began = time.monotonic()
    body = "(sleep 3; touch late) & (sleep 60) & wait"
    assert delivery.run_program(["sh", "-c", body], b"", place, 1) == ("was stopped after 1 s", "")
    fault, output = delivery.run_program(["sh", "-c", "sleep 60 & echo done"], b"", place, 50)
    assert (fault, output) == ("", "done\n")
    assert time.monotonic() - began < 20
    time.sleep(3)
    assert not (tmp_path / "late").exists()


def test_output_without_end_takes_no_memory_and_a_deaf_program_no_time(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    fault, output = delivery.run_program(["yes", "no"], b"", place, 1)
    assert fault == "was stopped after 1 s: no" and len(output) == delivery.KEPT_OUTPUT
    assert delivery.run_program(["true"], b"x" * 10_000_000, place, 30) == ("", "")


def test_two_at_the_same_time_do_not_give_the_same_notice_twice(tmp_path: Path) -> None:
    settings = "[[notify]]\n" + program(f"import time; time.sleep(0.5); {NOTE_DOWN}")
    place = bare_workspace(tmp_path)
    run = failing_run(place)
    place = bare_workspace(tmp_path, settings)
    rewritten(place, run, notices={})
    threads = [threading.Thread(target=delivery.pass_on, args=(place,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(heard(place)) == 1


def test_with_a_broken_kitfare_toml_the_last_good_one_counts(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    place.archive.mkdir()
    journal.note_inputs(place.archive, {"kitfare.toml": archive.store(tmp_path / "kitfare.toml", place.archive)})
    (tmp_path / "kitfare.toml").write_text("[[notify\n")
    failing_run(place)
    assert len(heard(place)) == 1


def test_a_schedule_watches_over_it_and_says_a_fault_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = bare_workspace(tmp_path, f'[[notify]]\n{SHELL}"exit 4"]\n')
    aged(place, one_run(place), days=3)
    monkeypatch.setattr(delivery, "WATCH_SECONDS", 0.01)
    said: list[str] = []
    done = threading.Event()
    thread = threading.Thread(target=delivery.watch_over, args=(place, said.append, done))
    thread.start()
    ends = time.monotonic() + 30
    while len(tries(place)) < 3 and time.monotonic() < ends:
        time.sleep(0.05)
    done.set()
    thread.join()
    assert len(tries(place)) >= 3 and len(said) == 1 and "exit code 4" in said[0]


def tries(place: Workspace) -> Any:
    notice = present(run_record.read(place, 1)).notices.get("overdue")
    return notice.tries if notice else ()


def test_what_cannot_be_written_is_said(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, f'[[notify]]\n{SHELL}"exit 0"]\n')
    one_run(place)
    (place.runs / ".passing_on").unlink()
    (place.runs / ".passing_on").mkdir()
    assert "could not be passed on" in delivery.pass_on(place)[0]
