"""What there is to say of files taken in, kept with their rows until a refresh that succeeds has said it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipelines.warehouse.connect import Connection, transaction


@dataclass(frozen=True)
class Message:
    """A sentence about a file, and the number of its rows that wait to be corrected."""

    text: str
    quarantined_row_count: int = 0


def keep(con: Connection, messages: Sequence[Message]) -> None:
    """Add messages to those that wait; within the transaction that takes the file in."""
    for message in messages:
        con.execute(
            "insert into pending_message select coalesce(max(message_number), 0) + 1, ?, ? from pending_message",
            [message.text, message.quarantined_row_count],
        )


def kept(con: Connection) -> list[Message]:
    """The messages that wait, in the order in which they came."""
    found = con.execute(
        "select message_text, quarantined_row_count from pending_message order by message_number"
    ).fetchall()
    return [Message(*row) for row in found]


def forget(con: Connection) -> None:
    """The messages were said."""
    with transaction(con):
        con.execute("delete from pending_message")
