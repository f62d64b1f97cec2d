"""Reading the line file, and saying plainly what is wrong with it."""

from __future__ import annotations

import glob
from dataclasses import dataclass
from pathlib import Path

import msgspec

from deblend.files import refuse_odd_name
from deblend.line.line_keys import LineKeys
from deblend.model.key_table import Key, keys_of
from deblend.model.read_keys import read_table


@dataclass(frozen=True)
class LineFile:
    """A line file that has been read and checked."""

    path: Path
    """The file itself; relative names in it count from its folder."""
    keys: LineKeys
    """Its content."""

    def resolve(self, name: str) -> Path:
        """A name in the line file as a path."""
        return self.path.parent / name

    @property
    def name(self) -> str:
        """Name of the line: as stated, or that of the file."""
        return self.keys.name or self.path.stem

    @property
    def record_patterns(self) -> list[Path]:
        """Record files and patterns; brackets in the name of the folder are no pattern."""
        return self.patterns_of(self.keys.records.files)

    def patterns_of(self, names: list[str]) -> list[Path]:
        """Files and patterns relative to the line file."""
        folder = Path(glob.escape(str(self.path.parent)))
        return [
            self.resolve(name) if self.resolve(name).exists() else folder / name for name in names
        ]

    @property
    def shots_path(self) -> Path | None:
        """The file with the shots; None where the records carry the source events."""
        name = self.keys.shots.file or self.keys.shots.navigation
        return None if name is None else self.resolve(name)

    @property
    def other_inputs(self) -> list[Path]:
        """Navigation files, source logs and methods of one's own."""
        tables = (self.keys.navigation, self.keys.source_log)
        methods = (self.keys.separation.method, self.keys.separation.first_method)
        code = [name.partition(":")[0] for name in methods if ":" in name]
        return [
            self.resolve(name)
            for name in (
                *(name for table in tables if table for name in table.files),
                *(name for name in code if name.endswith(".py")),
            )
        ]

    @property
    def output_folder(self) -> Path:
        """Where results go."""
        return self.resolve(self.keys.output.folder)

    def with_output(self, folder: Path) -> LineFile:
        """The line with its results elsewhere."""
        output = msgspec.structs.replace(self.keys.output, folder=str(folder.absolute()))
        return LineFile(self.path, msgspec.structs.replace(self.keys, output=output))


def read_line_file(path: str | Path) -> LineFile:
    """Read and check a line file.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, holds an unknown key, lacks a needed one, or a
        value is of the wrong type or out of range.
    """
    path = Path(path)
    refuse_odd_name(path)
    return LineFile(path.absolute(), read_table(path, LineKeys, "line file"))


def list_keys() -> list[Key]:
    """Every key of the line file, in the order of its tables."""
    return list(keys_of(LineKeys, ""))
