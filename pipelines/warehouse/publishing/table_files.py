"""The tables of a generation, each read from its Parquet file when it is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.workspace import PRIVATE

FOLDER = f"{PRIVATE}/tables"


@dataclass(frozen=True)
class TableFiles(Mapping[str, pl.DataFrame]):
    """The tables of a generation by name. Nothing is kept: a process that is given this is given a path, not frames."""

    generation: Path

    def __getitem__(self, name: str) -> pl.DataFrame:
        """A whole table."""
        path = self._path(name)
        if not path.is_file():
            raise KeyError(name)
        return pl.read_parquet(path)

    def __iter__(self) -> Iterator[str]:
        return (path.stem for path in sorted((self.generation / FOLDER).glob("*.parquet")))

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def __contains__(self, name: object) -> bool:
        """Without reading the table."""
        return isinstance(name, str) and self._path(name).is_file()

    def columns(self, name: str, columns: Sequence[str]) -> pl.DataFrame:
        """Some columns of a table, without reading the others."""
        return pl.read_parquet(self._path(name), columns=list(columns))

    def height(self, name: str) -> int:
        """The number of rows, without reading them."""
        return int(pl.scan_parquet(self._path(name)).select(pl.len()).collect().item())

    def _path(self, name: str) -> Path:
        return self.generation / FOLDER / f"{name}.parquet"
