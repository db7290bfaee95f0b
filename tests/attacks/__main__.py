"""`make attack`: runs attacks, or the parts of them that are missing, and writes the table into docs/reliability.md."""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from tests.attacks import work
from tests.attacks.attacks import ATTACKS
from tests.attacks.results import Results, put_into, table
from tests.attacks.runs import ROOT, forkserver

KEPT = ROOT / ".attacks"
"""Results and prepared workspaces of parts that ran; delete it to begin anew."""

PAGE = ROOT / "docs" / "reliability.md"


def main() -> None:
    """Run what was asked for, then write the table."""
    given = _arguments()
    attacks = {replace(one, usual=getattr(given, one.option)): part for one, part in ATTACKS.items()}
    only = given.only.split(",") if given.only else [one.name for one in attacks]
    unknown = set(only) - {one.name for one in attacks}
    if unknown:
        raise SystemExit(
            f"no such attacks: {', '.join(sorted(unknown))}; there are {', '.join(a.name for a in attacks)}"
        )
    deadline, processes = time.monotonic() + given.seconds, forkserver()
    folder = Path(tempfile.mkdtemp(prefix="kitfare-attacks-"))
    is_broken = False
    for attack, part in attacks.items():
        if attack.name in only:
            place = folder / attack.name
            place.mkdir()
            ground = work.Ground(place, KEPT, given.seed, processes, lambda: time.monotonic() > deadline)
            results = Results(KEPT, attack, given.seed)
            work.run(attack, part, results, ground, deadline, given.workers)
            is_broken = is_broken or any(result.broken for result in results.found)
    made = table(Results(KEPT, attack, given.seed).row() for attack in attacks)
    put_into(PAGE, made)
    print(made)
    if is_broken:
        raise SystemExit(f"promises were broken; the workspaces are in {folder}")
    shutil.rmtree(folder)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="names of attacks, with commas; default: all")
    parser.add_argument(
        "--SECONDS",
        dest="seconds",
        type=float,
        default=1e9,
        help="start no part after so many seconds; the next run goes on",
    )
    parser.add_argument("--SEED", dest="seed", type=int, default=1)
    parser.add_argument("--WORKERS", dest="workers", type=int, default=2, help="parts at the same time")
    for attack in ATTACKS:
        words = f"{attack.unit}: {attack.what}"
        parser.add_argument(f"--{attack.option}", type=int, default=attack.usual, metavar="COUNT", help=words)
    return parser.parse_args()


if __name__ == "__main__":
    main()
