"""Every key of a scene file, with what the fields behind them say."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterator
from dataclasses import MISSING, Field, fields

from deblend.model.key_table import Key
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.arrivals import Decay
from deblend.synth.build import SceneDesign
from deblend.synth.firing import Dither, Firing, Trouble
from deblend.synth.reflectors import Surface
from deblend.synth.scene_file import GEOLOGY, NOISE
from deblend.synth.signature import Signature

_TABLES = {
    "decay": Decay,
    "acquisition": Acquisition,
    "acquisition.sources": TowedSource,
    "acquisition.sources.signature": Signature,
    "acquisition.streamer": Streamer,
    "acquisition.firing": Firing,
    "acquisition.firing.dither": Dither,
    "acquisition.trouble": Trouble,
    "surface of a Reflector": Surface,
}
_SHARED = {"seen_by": "Numbers of the sources that see it; all where it is empty."}
_TOP = ("name", "description", "length_s", "interval_s")


def list_scene_keys() -> list[Key]:
    """Keys of a scene file, table by table; those of geology and noise behind their ``piece``."""
    keys = [key for key in _keys_of(SceneDesign, "") if key.name in _TOP]
    for table, kind in _TABLES.items():
        keys += _keys_of(kind, table)
    for name, kind in GEOLOGY.items():
        keys += _keys_of(kind, "[geology]", f"{name}: ")
    for name, kind in NOISE.items():
        keys += _keys_of(kind, "[noise]", f"{name}: ")
    return keys


def _keys_of(kind: type, table: str, before: str = "") -> Iterator[Key]:
    words = _SHARED | _words_of(kind)
    for field in fields(kind):
        name = field.name
        unit = next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")
        yield Key(table, before + name, str(field.type), unit, _default(field), words.get(name, ""))


_UNITS = {"_db": "dB", "_m_s": "m/s", "_s": "s", "_m": "m", "_hz": "Hz", "_deg": "degrees"}


def _default(field: Field[object]) -> str:
    if field.default is not MISSING:
        return str(field.default)
    return "required" if field.default_factory is MISSING else str(field.default_factory())


def _words_of(kind: type) -> dict[str, str]:
    """What stands below each field; fields that share it follow each other."""
    found: dict[str, str] = {}
    for base in reversed(kind.__mro__[:-1]):
        body = ast.parse(textwrap.dedent(inspect.getsource(base))).body[0]
        waiting: list[str] = []
        for node in body.body if isinstance(body, ast.ClassDef) else ():
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                waiting.append(node.target.id)
            elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and waiting:
                text = " ".join(str(node.value.value).split())
                found |= dict.fromkeys(waiting, text)
                waiting = []
    return found
