"""Methods of other packages: installed for real, found by name, and harmless where broken."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from outside_package import CODE, install

from deblend.separation.choose import METHODS

LINE = """
import numpy as np, deblend
from deblend.blending.operator import make_operator
from deblend.model.shots import make_shots

rng = np.random.default_rng(0)
base = np.arange(20) * 800_000_000 + 400_000_000
times = np.concatenate([base + rng.integers(0, 300_000_000, 20) for _ in range(2)])
shots = make_shots(np.repeat([1, 2], 20), np.tile(np.arange(20), 2), times, "utc")
truth = np.zeros((40, 1, 150), np.float32)
truth[..., 60:64] = [1, 2, -2, -1]
operator = make_operator(
    shots, start_ns=0, interval_ns=4_000_000, sample_count=5000, length=150
)
recording = deblend.Recording(
    operator.blend(truth), interval_s=0.004, start="1970-01-01T00:00:00", time_scale="utc"
)

def run(method):
    return deblend.separate(recording, shots, length_s=0.6, method=method, iterations=2)

def error_of(method):
    try:
        run(method)
    except deblend.DeblendError as error:
        return f"{type(error).__name__}: {error}"
    return "no error"
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    install(
        tmp_path,
        "outside-methods",
        {"outside_methods.py": CODE},
        {
            "outside": "outside_methods:Outside",
            "outside-function": "outside_methods:keep_large",
            "outside-broken": "outside_methods:NotThere",
            "outside-raising": "outside_methods:Raising",
            "outside-needy": "outside_needy:Needy",
            "outside-number": "outside_methods:NUMBER",
            "fk": "outside_methods:Raising",
            "twice": "outside_methods:NUMBER",
        },
    )
    (tmp_path / "outside_needy.py").write_text("import surely_not_installed_anywhere\n")
    install(tmp_path, "other-methods", {}, {"twice": "outside_methods:NUMBER"})
    return tmp_path


def python(site: Path, script: str) -> str:
    environment = os.environ | {"PYTHONPATH": str(site)}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", LINE + script],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_methods_of_a_package_work_by_name_and_broken_ones_block_nobody(site: Path) -> None:
    said = python(
        site,
        """
import sys
from deblend.separation.choose import method_names
print(*method_names())
import warnings
with warnings.catch_warnings(record=True) as said:
    warnings.simplefilter("always")
    first = run("fk")
assert [str(one.message) for one in said] == [
    "the built-in method 'fk' is used, and not outside-methods 1.5, which publishes that name too. "
    "Publish it under another one, or hand the settings object itself to deblend.separate."
], [str(one.message) for one in said]
assert first.settings["method"] == "fk" and "outside_methods" not in sys.modules
for name in ("outside", "outside-function"):
    result = run(name)
    assert abs(result.estimate).max() > 0.5
    print(result.settings["method"], result.settings["method.patch"])
for name in ("outside-broken", "outside-raising", "outside-needy", "outside-number", "twice",
             "outsid"):
    print(error_of(name))
""",
    ).splitlines()
    names = said[0].split()
    assert names[: len(METHODS)] == sorted(METHODS)
    assert names[len(METHODS) :][:3] == ["outside", "outside-broken", "outside-function"]
    assert said[1] == "outside (8, 1, 16)"
    assert said[2] == "outside-function (24, 8, 32)"
    broken, raising, needy, number, twice, unknown = said[3:]
    assert broken.startswith("SettingsError: package outside-methods 1.5: separator method")
    assert "AttributeError" in broken
    assert "cannot be loaded (ZeroDivisionError: no luck)" in raising
    assert needy.startswith("MissingPackageError: package outside-methods 1.5: ")
    assert "pip install surely_not_installed_anywhere" in needy
    assert "int is no separator method: it lacks patch" in number
    assert "published by 2 packages" in twice
    assert "other-methods 1.5" in twice
    assert "Did you mean 'outside'?" in unknown


def test_a_built_in_method_without_its_package_says_which(monkeypatch: pytest.MonkeyPatch) -> None:
    from deblend.errors import MissingPackageError
    from deblend.separation import choose

    def load(path: str) -> object:
        raise ModuleNotFoundError("No module named 'curvelets'", name="curvelets.numpy")

    monkeypatch.setattr("deblend.plugins.import_module", load)
    with pytest.raises(MissingPackageError, match=r"package 'curvelets', .* pip install"):
        choose.choose_method("joint", 2, 8)
