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
# # A trial line, from records to a verdict
#
# What a processor does with the first line of a survey: look at the input, separate, read the
# findings, ask the line what became of weak signal, and hold all of it against limits. The line
# here is made, so that the answer is known too. For a line of your own, start at *Check the input*
# with the path of your line file.
#
# Run as a notebook: `jupytext --to ipynb notebooks/trial_line.py`.

# %%
import tempfile
from dataclasses import replace
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import segyio

from deblend.check.check import check_line
from deblend.inject.injection import inject_line
from deblend.line.line_file import read_line_file
from deblend.qc.limits import default_limits, overall_verdict
from deblend.results.judge import judge_folder
from deblend.run.pipeline import run_line
from deblend.synth.build import build_line
from deblend.synth.scenes import scene_design
from deblend.synth.source_test import write_source_test
from deblend.synth.write import write_line
from deblend.trial.run_trial import run_trial, write_trial

folder = Path(tempfile.mkdtemp())

# %% [markdown]
# ## A line to work on
# Three sources near-simultaneous, 24 shots of each into eight channels, white noise.

# %%
plan = scene_design("white-noise")
firing = replace(plan.acquisition.firing, shots_per_source=24)
made = build_line(replace(plan, acquisition=replace(plan.acquisition, firing=firing)))
line_file = write_line(made, folder / "line")
print(line_file.read_text())

# %% [markdown]
# ## Check the input
# Headers and tables first. Clocks and shots can be verified against direct arrivals too
# (`with_samples=True`), which takes longer.

# %%
line = read_line_file(line_file)
checked = check_line(line)
for name, value in checked.rows:
    print(f"{name:24s} {value}")
for finding in checked.findings:
    print(finding.verdict, finding.metric, finding.message)

# %% [markdown]
# ## Separate
# Twenty iterations would not do for delivery; sixty is the default of the line file.

# %%
text = line_file.read_text().replace("[separation]", "[separation]\niterations = 20")
line_file.write_text(text)
line = read_line_file(line_file)
outcome = run_line(line)
for file in outcome.delivered:
    print(file.path.name, file.shot_count, "shots")

# %% [markdown]
# The report has everything in one page that opens offline:

# %%
print(outcome.folder / "report.html")

# %% [markdown]
# ## Look at one channel
# Signal lines up from shot to shot; interference scatters, because every shot had its own delay.
# What was removed, and what is wrong, should hold nothing that lines up. Time runs down;
# positive amplitudes are black. All panels have one scale and, for this look alone,
# one gain that grows with the square of time.

# %%
channel, source = 3, 1
rows = made.shots.rows_of(source)
record = made.recording.read([channel], 0, made.recording.shape[1])[0]
samples = made.gathers.shape[2]
starts = np.rint((made.shots.fire_time_ns[rows] - made.recording.start_ns) / 4e6).astype(int)
before = np.stack([record[start : start + samples] for start in starts])  # rounded, for a look only
with segyio.open(outcome.delivered[0].path, ignore_geometry=True) as delivered:
    after = delivered.trace.raw[:].reshape(len(rows), -1, samples)[:, channel]
truth = made.truth[source][:, channel]
panels = {
    "before": before,
    "after": after,
    "removed: before less after": before - after,
    "truth": truth,
    "error: after less truth": after - truth,
}
gain = np.maximum(np.arange(samples) * 0.004, 0.1) ** 2
clip = np.percentile(np.abs(panels["truth"] * gain), 99)
figure, axes = plt.subplots(1, 5, figsize=(16, 6), sharex=True, sharey=True, layout="constrained")
for axis, (title, gather) in zip(axes, panels.items(), strict=True):
    picture = axis.imshow(
        (gather * gain).T,
        cmap="gray_r",
        vmin=-clip,
        vmax=clip,
        aspect="auto",
        extent=(0, len(gather), samples * 0.004, 0),
    )
    axis.set_title(title)
    axis.set_xlabel("shot of source 1")
axes[0].set_ylabel("time after firing (s)")
figure.colorbar(picture, ax=list(axes), label="amplitude times squared time (recorded unit x s²)")
plt.show()

# %% [markdown]
# ## What the findings say

# %%
judgement = judge_folder(outcome.folder, default_limits())
for finding in judgement.findings:
    if finding.verdict in ("look", "fail"):
        print(f"{finding.verdict}: {finding.metric} = {finding.value:.3g} {finding.unit}")
print("verdict:", judgement.verdict)

# %% [markdown]
# ## What became of weak signal
# Weak events are added to the record at the true fire times, and the line is separated again.

# %%
injection = inject_line(line, folder / "injection")
amplitudes = [f for f in injection.findings if f.metric == "injected_amplitude"]
for finding in amplitudes[:8]:
    print(f"source {finding.source}, {finding.window_s[0]:.2f} s: {finding.value:.0f} % came back")
for finding in injection.findings:
    if finding.verdict == "fail":
        print(f"fail: {finding.message}")
print("verdict:", overall_verdict(injection.findings))
assert np.mean([finding.value for finding in amplitudes]) > 30

# %% [markdown]
# ## A whole source test
# Four lines over one invented ground: two sources in turn, which is the benchmark, two together,
# three in turn and three together. Few iterations and no expected error here, for time; on the
# command line it is `deblend make source-test --out TEST` and `deblend trial TEST/trial.toml --out
# FOLDER`, which separates what is not separated yet.

# %%
trial_file = write_source_test(folder / "test")
for path in (folder / "test").glob("*/line.toml"):
    quick = path.read_text().replace("[separation]", "[separation]\niterations = 10")
    path.write_text(quick + "\n[quality]\nexpected_error = false\n")
trial = run_trial(trial_file, default_limits())
for sentence in trial.sentences:
    print(sentence)
print("verdict:", trial.verdict)

# %% [markdown]
# Every number of a sentence is one of the table, a column a line; the page has the pictures.

# %%
for row in trial.rows:
    if row.quantity == "signal-to-noise of the stack" and row.band_hz is None:
        print(row.window_s, *(f"{value:8.1f}" for value in row.values))
(folder / "trial").mkdir()
write_trial(trial, folder / "trial")
print(folder / "trial" / "trial.html")
assert trial.verdict in ("pass", "look", "fail")
