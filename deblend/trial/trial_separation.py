"""Which separation a delivered file has been through, from the manifest of its run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from deblend.errors import InputError, SettingsError, reason_of
from deblend.model.findings import Finding
from deblend.results.output_folder import MANIFEST
from deblend.separation.choose import choose_method
from deblend.separation.contract import Separator
from deblend.separation.settings import DEFAULTS


@dataclass(frozen=True)
class TrialSeparation:
    """A separation that can be given to other gathers."""

    method: str
    """Its name."""
    settings: Mapping[str, Any]
    """Settings of the method that differ from those it would choose itself."""
    iterations: int
    seed: int
    """As in `deblend.separate`."""
    findings: tuple[Finding, ...]
    """Where all this comes from."""

    def for_channels(self, channel_count: int) -> Separator:
        """The method with its settings, for one source and so many channels."""
        method: Any = choose_method(self.method, 1, channel_count)
        if not is_dataclass(method):
            return choose_method(method, 1, channel_count)
        known = {field.name for field in fields(method) if field.init}
        own = {name: value for name, value in self.settings.items() if name in known}
        return choose_method(replace(method, **own), 1, channel_count)  # type: ignore[arg-type,type-var]


def trial_separation(
    trial: Path, method: str | None, iterations: int | None, seed: int | None
) -> TrialSeparation:
    """The separation of a trial: what is given, else what its manifest says, else the defaults.

    The manifest lies in the folder above that of the delivered file.
    """
    path = trial.resolve().parent.parent / MANIFEST
    manifest = _read(path, trial) if path.exists() else None
    in_manifest = {} if manifest is None else dict(manifest["settings"])
    name = str(method or in_manifest.get("method", "auto"))
    own = {} if method else _own_settings(in_manifest)
    chosen = TrialSeparation(
        name,
        own,
        int(iterations or in_manifest.get("iterations", DEFAULTS.iterations)),
        int(in_manifest.get("seed", DEFAULTS.seed) if seed is None else seed),
        (),
    )
    origin = (
        "as stated" if method else f"from {path.name}" if in_manifest else "assumed: no manifest"
    )
    message = (
        f"The benchmark is also put through method {name}, {chosen.iterations} iterations, seed "
        f"{chosen.seed} ({origin}), as the trial was."
    )
    finding = Finding("benchmark_filter", float("nan"), "", "note", message)
    return replace(chosen, findings=(finding,))


def _read(path: Path, trial: Path) -> dict[str, Any] | None:
    """The manifest, or None where it is not about this file."""
    try:
        manifest: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        name = trial.resolve().relative_to(path.parent.resolve()).as_posix()
        records = {record["path"]: record["size_bytes"] for record in manifest["outputs"]}
        settings = manifest["settings"]
        if not isinstance(settings, dict):
            raise TypeError("its settings are no table")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"the manifest cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="State method and iterations, and move the trial away from it.",
        ) from error
    if name not in records:
        return None
    size = trial.stat().st_size
    if size != records[name]:
        raise InputError(
            f"{trial.name} has {size} bytes, and {records[name]} in the manifest of its run",
            where=str(path),
            remedy="Deliver it again, or move it away from the manifest.",
        )
    return manifest


def _own_settings(in_manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Settings of the method; tuples and the like stand in the manifest as text."""
    own = {}
    for name, value in in_manifest.items():
        if name.startswith("method."):
            own[name.removeprefix("method.")] = _plain(value, name)
    return own


def _plain(value: Any, name: str) -> Any:
    if not (isinstance(value, str) and value[:1] == "("):
        return value
    try:
        return tuple(json.loads(f"[{value.strip('(,)')}]"))
    except ValueError as error:
        raise SettingsError(
            f"setting {name} of the manifest is {value!r}", remedy="State the method."
        ) from error
