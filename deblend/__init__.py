"""Separation of simultaneous-source marine seismic lines recorded continuously.

Nothing heavy is imported here: each public name is fetched from its room when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from deblend.blending.line_operator import operator_of
    from deblend.blending.operator import BlendingOperator, make_operator
    from deblend.errors import DeblendError
    from deblend.in_memory import separate
    from deblend.model.findings import Finding
    from deblend.model.geometry import Geometry, towed_geometry
    from deblend.model.recording import Recording
    from deblend.model.shots import Shots, make_shots
    from deblend.records.open import open_recording
    from deblend.records.shot_table import read_shots
    from deblend.separation.chain import Chain
    from deblend.separation.methods.curvelet import CurveletThreshold
    from deblend.separation.methods.fk import FkThreshold
    from deblend.separation.methods.joint import JointThreshold
    from deblend.separation.methods.median import StructureMedian, VectorMedian
    from deblend.separation.methods.rank import RankReduction
    from deblend.separation.separate import Separation
    from deblend.study.scores import score
    from deblend.synth.scenes import make_scene
    from deblend.trial.likeness import snr_db

__version__ = "0.1.0"

_ROOMS = {
    "BlendingOperator": "deblend.blending.operator",
    "Chain": "deblend.separation.chain",
    "CurveletThreshold": "deblend.separation.methods.curvelet",
    "DeblendError": "deblend.errors",
    "Finding": "deblend.model.findings",
    "FkThreshold": "deblend.separation.methods.fk",
    "Geometry": "deblend.model.geometry",
    "JointThreshold": "deblend.separation.methods.joint",
    "RankReduction": "deblend.separation.methods.rank",
    "Recording": "deblend.model.recording",
    "Separation": "deblend.separation.separate",
    "Shots": "deblend.model.shots",
    "StructureMedian": "deblend.separation.methods.median",
    "VectorMedian": "deblend.separation.methods.median",
    "make_operator": "deblend.blending.operator",
    "make_scene": "deblend.synth.scenes",
    "make_shots": "deblend.model.shots",
    "open_recording": "deblend.records.open",
    "operator_of": "deblend.blending.line_operator",
    "read_shots": "deblend.records.shot_table",
    "score": "deblend.study.scores",
    "separate": "deblend.in_memory",
    "snr_db": "deblend.trial.likeness",
    "towed_geometry": "deblend.model.geometry",
}

__all__ = [
    "BlendingOperator",
    "Chain",
    "CurveletThreshold",
    "DeblendError",
    "Finding",
    "FkThreshold",
    "Geometry",
    "JointThreshold",
    "RankReduction",
    "Recording",
    "Separation",
    "Shots",
    "StructureMedian",
    "VectorMedian",
    "__version__",
    "make_operator",
    "make_scene",
    "make_shots",
    "open_recording",
    "operator_of",
    "read_shots",
    "score",
    "separate",
    "snr_db",
    "towed_geometry",
]


def __getattr__(name: str) -> Any:
    if name not in _ROOMS:
        raise AttributeError(f"module 'deblend' has no attribute {name!r}")
    value = getattr(import_module(_ROOMS[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
