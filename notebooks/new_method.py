# ---
# jupyter:
#   jupytext:
#     formats: py:percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # A new method against the table
#
# What a researcher does with an idea: write it down as a function, check the contract, compare it
# with the built-in methods on lines with a known answer, and see where it stands, at what cost.

# %%
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from deblend.study.compare import run_study
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.study.lines import make_line
from deblend.study.present import present, verdicts
from deblend.study.search import by_truth, search
from deblend.study.study import Study, StudyMethod
from deblend.testing import check_separator

folder = Path(tempfile.mkdtemp())

# %% [markdown]
# ## The idea
# In a patch (source, shot, channel, time) keep what a running mean over three shots keeps, where it
# stands above the threshold. A crude idea on purpose: what matters is what happens to it below.


# %%
def neighbours_agree(patch, threshold):
    padded = np.pad(patch, ((0, 0), (1, 1), (0, 0), (0, 0)), mode="edge")
    mean = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3
    return np.where(np.abs(mean) >= threshold, mean, 0).astype(patch.dtype)


# %% [markdown]
# Does it keep the contract of the loop? An error would say what is wrong.

# %%
check_separator(neighbours_agree)

# %% [markdown]
# ## A study
# One scene, two dithers, two seeds; methods by name, by name with settings, and by function, on
# equal terms. `deblend compare STUDY.toml` does the same from a file.

# %%
short = {"shots_per_source": 16, "sources": 2}
study = Study(
    name="an idea against two built-in methods",
    description="Sixteen shots of two sources, twelve iterations.",
    scenes=[SceneTable(name="three-sources")],
    methods=[
        StudyMethod("fk", "fk"),
        StudyMethod("joint", "joint"),
        StudyMethod("neighbours agree", neighbours_agree),
    ],
    seeds=[0, 1],
    blends=[
        BlendTable(label="dither 0.3 s", **short),
        BlendTable(label="dither 0.05 s", dither_s=0.05, **short),
    ],
    iterations=12,
    limit_s=120,
)
rows = run_study(study, folder / "results.parquet", processes=1)
for row in rows:
    if row["status"] == "done":
        print(
            f"{row['blend']:14s} seed {row['seed']} {row['method']:18s} "
            f"{row['start_db']:6.1f} {row['snr_db']:6.1f} dB {row['seconds']:5.1f} s"
        )
    else:
        print(row["method"], row["status"], row["message"])

# %% [markdown]
# ## Where it stands
# The page has the table, with intervals where there are three seeds or more, and quality against
# time and dither.

# %%
done = present(study, rows, folder)
print(done.page)
for text in verdicts(done.summaries):
    print(text)
plt.figure(figsize=(14, 8))  # estimates above, errors below, one scale; also as PDF and SVG
plt.imshow(plt.imread(folder / "figures" / "gathers-1.png"))
plt.axis("off")
plt.show()
scores = {row["method"]: row["snr_db"] for row in rows if row["seed"] == 0}
assert scores["joint"] > scores["neighbours agree"]

# %% [markdown]
# ## A setting of it
# How large should the windows of `fk` be along the line? By truth, because it is known here;
# `by_injection` asks a line of which it is not.

# %%
line = make_line(study.scenes[0], study.blends[0], NoiseTable(label="none", pieces=[]), 0, folder)
found = search(
    StudyMethod("fk", "fk"),
    "patch",
    [[8, 1, 32], [12, 1, 32], [16, 1, 32]],
    by_truth(line, iterations=12),
    "signal-to-noise ratio (dB)",
)
print("best window:", found.best)
plt.figure(figsize=(14, 4))
plt.imshow(plt.imread(found.picture(folder / "search.png")))
plt.axis("off")
plt.show()
