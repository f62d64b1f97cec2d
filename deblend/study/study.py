"""A study: scenes x blends x noises x seeds x methods, from a file or put together in Python."""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from itertools import product
from pathlib import Path
from typing import Any, Final

import msgspec

from deblend.errors import SettingsError, reason_of
from deblend.line.method_settings import with_settings
from deblend.model.read_keys import read_table
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.separation.choose import MethodChoice, choose_method, method_names
from deblend.separation.contract import Separator
from deblend.separation.separate import Separation, separate_line
from deblend.separation.settings import DEFAULTS, SeparationSettings, checked_settings
from deblend.study.keys import BlendTable, MethodTable, NoiseTable, SceneTable, StudyFile
from deblend.synth.scene_file import noise_from, read_scene_file
from deblend.synth.scenes import scene_design
from deblend.words import did_you_mean

FROM_FILE: Final = "deblend_study_file_"
AS_IN_THE_SCENE: Final = "as in the scene"


@dataclass(frozen=True)
class StudyMethod:
    """A method of a study."""

    label: str
    """Its name in tables."""
    choice: MethodChoice
    """A name, a settings object, or a function of a patch and a threshold."""
    settings: dict[str, Any] = field(default_factory=dict)
    """Settings that differ from its defaults."""
    iterations: int | None = None
    """In place of those of the study."""
    separation: SeparationSettings = DEFAULTS
    """All else; its iterations do not count."""

    def separate(
        self, recording: Recording, shots: Shots, length_s: float, iterations: int
    ) -> Separation:
        """A line separated by this method."""
        return separate_line(
            recording,
            shots,
            length_s=length_s,
            method=self.separator(len(shots.sources), recording.shape[0]),
            settings=msgspec.structs.replace(self.separation, iterations=iterations),
        )

    def separator(self, source_count: int, channel_count: int) -> Separator:
        """The method for a line, with its settings."""
        method = choose_method(self.choice, source_count, channel_count)
        changed = with_settings(method, self.settings, self.label, f"method {self.label}")
        return choose_method(changed, source_count, channel_count)


@dataclass(frozen=True)
class Study:
    """What is compared."""

    name: str
    """For titles."""
    scenes: Sequence[SceneTable]
    """Lines with a known answer."""
    methods: Sequence[StudyMethod]
    """On equal terms."""
    seeds: Sequence[int]
    """Of firing and noise."""
    blends: Sequence[BlendTable] = (BlendTable(label=AS_IN_THE_SCENE),)
    """Changes of the firing."""
    noises: Sequence[NoiseTable] = (NoiseTable(label=AS_IN_THE_SCENE),)
    """Other noise."""
    iterations: int = DEFAULTS.iterations
    """Of every method that has none of its own."""
    limit_s: float = 1800.0
    """Longest time for a separation; beyond it the run ends as ``timeout``."""
    description: str = ""
    """A sentence."""
    folder: Path = field(default_factory=Path)
    """What relative file names count from."""

    def __post_init__(self) -> None:
        scenes = [f"{scene.name} ({scene.size})" for scene in self.scenes]
        for what, names in (
            ("scene", scenes),
            ("method", [method.label for method in self.methods]),
            ("blend", [blend.label for blend in self.blends]),
            ("noise", [noise.label for noise in self.noises]),
            ("seed", list(map(str, self.seeds))),
        ):
            twice = {name for name in names if names.count(name) > 1}
            if twice or not names:
                raise SettingsError(
                    f"{what} {sorted(twice)[0]!r} is there twice"
                    if twice
                    else f"no {what} is given",
                    where=f"study {self.name}",
                    remedy="Give every one a label of its own.",
                )

    def runs(self) -> Iterator[StudyRun]:
        """Every run; those on the same line follow each other."""
        for scene, blend, noise, seed, method in product(
            self.scenes, self.blends, self.noises, self.seeds, self.methods
        ):
            yield StudyRun(scene, blend, noise, seed, method, method.iterations or self.iterations)


@dataclass(frozen=True)
class StudyRun:
    """One method on one line."""

    scene: SceneTable
    blend: BlendTable
    noise: NoiseTable
    seed: int
    method: StudyMethod
    iterations: int

    @property
    def line_key(self) -> tuple[str, ...]:
        """What tells its line from others."""
        scene = self.scene
        return (scene.name, scene.size, self.blend.label, self.noise.label, str(self.seed))

    @property
    def key(self) -> tuple[str, ...]:
        """What tells its row from others, as in `results.KEY`."""
        return (*self.line_key, self.method.label, str(self.iterations))


def read_study(path: str | Path) -> Study:
    """Read and check a study file.

    Every scene, method and setting is looked up, so that a study does not fail after hours for a
    slip of the pen.

    Raises
    ------
    SettingsError
        If it cannot be read, or names an unknown key, scene, method or setting.
    MissingPackageError
        If a method needs a package that is not installed.
    """
    path = Path(path)
    keys = read_table(path, StudyFile, "study file")
    study = Study(
        name=keys.name,
        description=keys.description,
        scenes=keys.scenes,
        methods=tuple(_method(entry, path.parent) for entry in keys.methods),
        seeds=keys.seeds,
        blends=keys.blends or (BlendTable(label=AS_IN_THE_SCENE),),
        noises=keys.noises or (NoiseTable(label=AS_IN_THE_SCENE),),
        iterations=keys.iterations,
        limit_s=keys.limit_s,
        folder=path.parent,
    )
    check_study(study)
    return study


def check_study(study: Study) -> None:
    """Look up every scene, method and piece of noise."""
    for scene in study.scenes:
        if scene.gathers_file is None and scene.scene_file is None:
            scene_design(scene.name, scene.size)
        elif scene.scene_file is not None:
            read_scene_file(study.folder / scene.scene_file)
    for noise in study.noises:
        noise_from(noise.pieces or [], f"noise {noise.label}")
    for method in study.methods:
        method.separator(3, 16)


def _method(entry: MethodTable, folder: Path) -> StudyMethod:
    return StudyMethod(
        entry.label or entry.method,
        found_method(entry.method, folder),
        entry.settings,
        entry.iterations,
        checked_settings(msgspec.structs.replace(entry, iterations=DEFAULTS.iterations)),
    )


def found_method(name: str, folder: Path) -> MethodChoice:
    """What a study file calls a method: a name, ``package.module:name``, or ``file.py:name``.

    The last two may be a settings class, a settings object or a function.
    """
    place, _, attribute = name.partition(":")
    if not attribute:
        if name != "auto" and name not in method_names():
            raise SettingsError(
                f"separator method {name!r} is not known",
                remedy=did_you_mean(name, method_names(), f"Methods: {method_names()}."),
            )
        return name
    remedy = "Give package.module:name or file.py:name, relative to the study file."
    try:
        module = _module_at(folder / place) if place.endswith(".py") else import_module(place)
    except Exception as error:  # code of others: anything may come
        why = reason_of(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
        raise SettingsError(f"method {name!r} cannot be loaded ({why})", remedy=remedy) from error
    if not hasattr(module, attribute):
        raise SettingsError(
            f"method {name!r} cannot be loaded: {place} has no {attribute!r}",
            remedy=did_you_mean(attribute, dir(module), remedy),
        )
    found: Any = getattr(module, attribute)
    made: MethodChoice = found() if isinstance(found, type) else found
    return made


def _module_at(path: Path) -> Any:
    """A module from a file, known to the process by a name that belongs to its place."""
    path = path.resolve()
    name = FROM_FILE + hashlib.sha256(str(path).encode()).hexdigest()[:16]
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(str(path))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look up the module that they are made in
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def file_of(choice: MethodChoice) -> Path | None:
    """The file that a method was loaded from by a study; None for all other methods."""
    kind = choice if callable(choice) and not hasattr(choice, "keep") else type(choice)
    module = str(getattr(kind, "__module__", ""))
    return Path(str(sys.modules[module].__file__)) if module.startswith(FROM_FILE) else None


def load_file(path: Path) -> None:
    """Make the module of a file known to this process, as the study that named it did."""
    _module_at(path)
