"""A study: scenes x blends x noises x seeds x methods, from a file or put together in Python."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Any, Final

import msgspec

from deblend.errors import SettingsError
from deblend.line.method_settings import with_settings
from deblend.model.read_keys import read_table
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.separation.choose import MethodChoice, choose_method, method_name
from deblend.separation.contract import Separator
from deblend.separation.job import fields_of, plain_setting
from deblend.separation.own_code import code_name, found_method
from deblend.separation.separate import Separation, separate_line
from deblend.separation.settings import DEFAULTS, SeparationSettings, checked_settings
from deblend.study.array_scene import read_array_scene
from deblend.study.keys import BlendTable, MethodTable, NoiseTable, SceneTable, StudyFile
from deblend.study.lines import Scene
from deblend.study.whole_line import check_whole_line, separate_whole_line
from deblend.synth.line import MadeLine
from deblend.synth.scene_file import noise_from, read_scene_file
from deblend.synth.scenes import scene_design

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
    whole_line: bool = False
    """Whether `choice` is a function of a whole line, see `deblend.study.whole_line`."""

    def separate(
        self, recording: Recording, shots: Shots, length_s: float, iterations: int
    ) -> Separation:
        """A line separated by this method."""
        if self.whole_line:
            return separate_whole_line(
                self.choice, recording, shots, length_s, iterations, self.settings
            )
        return separate_line(
            recording,
            shots,
            length_s=length_s,
            method=self.separator(len(shots.sources), recording.shape[0]),
            settings=msgspec.structs.replace(self.separation, iterations=iterations),
        )

    def all_settings(self, line: MadeLine) -> dict[str, Any]:
        """What is known of its settings before it runs."""
        if self.whole_line:
            return {"method": code_name(self.choice), **self.settings}
        method = self.separator(len(line.shots.sources), line.recording.shape[0])
        own = {f"method.{k}": plain_setting(v) for k, v in fields_of(method).items()}
        return {"method": method_name(method), **msgspec.structs.asdict(self.separation), **own}

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
    scenes: Sequence[Scene]
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
    file: Path | None = None
    """The study file, of which results keep a copy."""

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
            yield StudyRun(
                scene,
                blend,
                noise,
                seed,
                method,
                method.iterations or self.iterations,
                sampled=seed == self.seeds[0],
            )


@dataclass(frozen=True)
class StudyRun:
    """One method on one line."""

    scene: Scene
    blend: BlendTable
    noise: NoiseTable
    seed: int
    method: StudyMethod
    iterations: int
    sampled: bool = False
    """Whether a sample of its gathers is kept for figures."""

    @property
    def line_labels(self) -> tuple[str, ...]:
        """What tells its line from others within a study."""
        scene = self.scene
        return (scene.name, scene.size, self.blend.label, self.noise.label, str(self.seed))

    @property
    def labels(self) -> tuple[str, ...]:
        """What its row is called, as in `results.LABELS`; its key is that of its content."""
        return (*self.line_labels, self.method.label, str(self.iterations))


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
        scenes=tuple(_scene(table, path.parent) for table in keys.scenes),
        methods=tuple(_method(entry, path.parent) for entry in keys.methods),
        seeds=keys.seeds,
        blends=keys.blends or (BlendTable(label=AS_IN_THE_SCENE),),
        noises=keys.noises or (NoiseTable(label=AS_IN_THE_SCENE),),
        iterations=keys.iterations,
        limit_s=keys.limit_s,
        folder=path.parent,
        file=path,
    )
    check_study(study)
    return study


def check_study(study: Study) -> None:
    """Look up every scene, method and piece of noise."""
    for scene in study.scenes:
        if not isinstance(scene, SceneTable):
            continue
        if scene.gathers_file is None and scene.scene_file is None:
            scene_design(scene.name, scene.size)
        elif scene.scene_file is not None:
            read_scene_file(study.folder / scene.scene_file)
    for noise in study.noises:
        noise_from(noise.pieces or [], f"noise {noise.label}")
    for method in study.methods:
        if method.whole_line:
            check_whole_line(method.choice, method.settings, method.label)
        else:
            method.separator(3, 16)


def _scene(table: SceneTable, folder: Path) -> Scene:
    """A scene of the file; gathers in arrays are read at once."""
    plain = table.gathers_file is None or table.gathers_file.endswith(".toml")
    return table if plain else read_array_scene(table, folder)


def _method(entry: MethodTable, folder: Path) -> StudyMethod:
    return StudyMethod(
        entry.label or entry.method,
        found_method(entry.method, folder),
        entry.settings,
        entry.iterations,
        checked_settings(msgspec.structs.replace(entry, iterations=DEFAULTS.iterations)),
        entry.whole_line,
    )
