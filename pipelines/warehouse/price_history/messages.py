"""Messages about files taken in, kept beside their rows until a refresh that succeeds has shown them."""

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
    """Add messages; within the transaction that takes the file in."""
    for message in messages:
        con.execute(
            "insert into pending_message select coalesce(max(message_number), 0) + 1, ?, ? from pending_message",
            [message.text, message.quarantined_row_count],
        )


def kept(con: Connection) -> list[Message]:
    """The messages not shown yet, in the order in which they came."""
    found = con.execute(
        "select message_text, quarantined_row_count from pending_message order by message_number"
    ).fetchall()
    return [Message(*row) for row in found]


def forget(con: Connection) -> None:
    """Delete all messages, because they were shown."""
    with transaction(con):
        con.execute("delete from pending_message")
