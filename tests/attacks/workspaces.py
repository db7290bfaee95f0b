"""The workspaces that attacks start from, what an undisturbed refresh makes of them, and what must be true of any."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

from pipelines.flows.verify import verify
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import differences, published_of, state_of
from tests.builders.programs.fault_work import accounted

State = dict[str, str]


@dataclass(frozen=True)
class Known:
    """What is known of a workspace before it is attacked.

    Args:
        template: the workspace with dropped files, to be copied.
        dropped: by name, the SHA-256 of every file in its inbox.
        published: by refresh_id, what readers may see: the last good generation, if there is one, and the new one.
        undisturbed: all that can be seen after an undisturbed refresh.
        messages: what that refresh said about files.
        seconds: how long it took.
        moments: the kinds of moments in it, in order.
    """

    template: Workspace
    dropped: dict[str, str]
    published: dict[str, State]
    undisturbed: State
    messages: list[str] = field(default_factory=list)
    seconds: float = 10.0
    moments: list[str] = field(default_factory=list)


def digests(state: dict[str, object]) -> State:
    """The state with each value's hash in its place: short enough to be kept."""
    return {name: hashlib.sha256(repr(value).encode()).hexdigest() for name, value in state.items()}


def seen(place: Workspace) -> tuple[str, State]:
    """The refresh_id that readers see, and the digest of its tables and pages."""
    folder = place.published.resolve()
    return folder.name, digests(published_of(folder))


def dropped_files(place: Workspace) -> dict[str, str]:
    """The SHA-256 of every file in the inbox."""
    return {path.name: _hash_of(path) for path in sorted(place.inbox.iterdir()) if path.is_file()}


def messages_about(files: dict[str, str], output: str) -> list[str]:
    """Lines of a refresh's output that begin with a dropped file's name."""
    return [line for line in output.splitlines() if any(line.startswith(f"{name}: ") for name in files)]


def wrong_after_kill(place: Workspace, known: Known) -> list[str]:
    """What is not as promised right after a kill: published is whole, of one refresh, and no dropped file is lost."""
    return [*_wrong_published(place, known), *lost_files(place, known)]


def _wrong_published(place: Workspace, known: Known) -> list[str]:
    if not place.published.exists():
        return [] if len(known.published) == 1 else ["nothing is published any more"]
    changed = [f"{path.name} {what}" for path, what in generation.changed_files(place.published.resolve())]
    if changed:
        return [f"what is published is not whole: {changed[:3]}"]
    name, state = seen(place)
    if name not in known.published:
        return [f"an unknown generation is published: {name}"]
    different = differences(dict(state), dict(known.published[name]))
    return [f"generation {name} differs: {different[:3]}"] if different else []


def lost_files(place: Workspace, known: Known) -> list[str]:
    """Dropped files whose bytes are neither in the archive nor in the inbox."""
    inbox = set(dropped_files(place).values())
    lost = []
    for name, digest in known.dropped.items():
        archived = place.archive / digest[:2] / digest
        if digest not in inbox and not (archived.is_file() and _hash_of(archived) == digest):
            lost.append(f"{name} is lost")
    return lost


def wrong_at_the_end(place: Workspace, known: Known, output: str) -> list[str]:
    """What is not as promised once a refresh succeeded: all is as if undisturbed, accounts add up, messages were shown."""
    wrong = wrong_after_kill(place, known)
    different = differences(dict(digests(state_of(place))), dict(known.undisturbed))
    if different:
        wrong.append(f"differs from an undisturbed refresh: {different[:5]}")
    try:
        accounted(place)
    except AssertionError as error:
        wrong.append(str(error).splitlines()[0])
    shown = output.splitlines()
    wrong += [f"never shown: {line[:80]}" for line in known.messages if line not in shown]
    wrong += [f"verify: {fault.what}" for fault in verify(place).faults]
    return wrong


def _hash_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def save(known: Known, path: Path) -> None:
    """Keep what is known, for a later part."""
    path.write_text(json.dumps({**vars(known), "template": str(known.template.root)}), encoding="utf-8")


def load(path: Path) -> Known:
    """What :func:`save` kept."""
    values = json.loads(path.read_text(encoding="utf-8"))
    return Known(**{**values, "template": Workspace(Path(values["template"]))})
