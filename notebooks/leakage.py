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
# # Leakage and loss
#
# What a geophysicist who judges a separation wants to know: did energy of one source end up in
# another, and did signal get lost? Faults of a known size are planted in a known answer, and the
# measures that need no answer are asked for them.

# %%
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np

import deblend
from deblend.study.scores import leakage_and_loss_db, pseudo_deblended, score
from deblend.synth.build import build_line
from deblend.synth.scenes import scene_design

plan = scene_design("three-sources")
firing = replace(plan.acquisition.firing, shots_per_source=24)
line = build_line(replace(plan, acquisition=replace(plan.acquisition, firing=firing)))
truth, start = line.gathers, pseudo_deblended(line)
interference = start - truth

# %% [markdown]
# ## Planted faults
# A part of the interference is left in, and a part of the signal taken out; the measures should
# read what was planted.

# %%
planted_db = np.array([-40.0, -30.0, -20.0, -10.0])
leaked, lost = [], []
for level_db in planted_db:
    part = np.float32(10 ** (level_db / 20))
    leaked.append(leakage_and_loss_db(truth, truth + part * interference, start)[0])
    lost.append(leakage_and_loss_db(truth, truth - part * truth, start)[1])
plt.plot(planted_db, leaked, "o-", label="leakage")
plt.plot(planted_db, lost, "s--", label="loss")
plt.xlabel("planted (dB)")
plt.ylabel("read (dB)")
plt.grid()
plt.legend()
plt.show()
assert np.allclose(leaked, planted_db, atol=0.1)
assert np.allclose(lost, planted_db, atol=0.1)

# %% [markdown]
# ## Leakage over the iterations
# Both fall while the threshold does. A separation that is stopped early has lost signal rather than
# kept interference: the threshold lets only the strongest events through.

# %%
counts = [2, 5, 10, 20]
readings = []
for iterations in counts:
    result = deblend.separate(
        line.recording, line.shots, length_s=line.length_s, method="fk", iterations=iterations
    )
    readings.append(score(line, result.estimate.values))
    row = readings[-1]
    print(
        f"{iterations:3d} iterations: {row['snr_db']:5.1f} dB, leakage {row['leakage_db']:6.1f}, "
        f"loss {row['loss_db']:6.1f}, deepest window {row['snr_window_db'][-1]:5.1f} dB"
    )
plt.plot(counts, [row["leakage_db"] for row in readings], "o-", label="leakage")
plt.plot(counts, [row["loss_db"] for row in readings], "s--", label="loss")
plt.plot(counts, [-row["snr_db"] for row in readings], "^:", label="all error")
plt.xlabel("iterations")
plt.ylabel("relative to interference, to signal, to signal (dB)")
plt.grid()
plt.legend()
plt.show()
assert readings[-1]["loss_db"] < readings[0]["loss_db"]

# %% [markdown]
# What was removed and what is wrong, one channel of the first source after the last iteration, at
# the scale of the truth: interference in the one, signal that `fk` has not found in the other.

# %%
rows, channel = line.shots.rows_of(1), 4
found = result.estimate.values
panels = {"truth": truth, "estimate": found, "removed": start - found, "error": found - truth}
clip = np.percentile(np.abs(truth[rows, channel]), 95)
figure, axes = plt.subplots(1, 4, figsize=(14, 5), sharex=True, sharey=True, layout="constrained")
for axis, (title, gathers) in zip(axes, panels.items(), strict=True):
    picture = axis.imshow(
        gathers[rows, channel].T,
        cmap="gray_r",
        vmin=-clip,
        vmax=clip,
        aspect="auto",
        extent=(0, len(rows), line.length_s, 0),
    )
    axis.set_title(title)
    axis.set_xlabel("shot of source 1")
axes[0].set_ylabel("time after firing (s)")
figure.colorbar(picture, ax=list(axes), label="amplitude (recorded unit)")
plt.show()

# %% [markdown]
# ## Wrong fire times
# Half a millisecond is enough to be seen, and the re-blend residual does not tell it from noise.

# %%
random = np.random.default_rng(0)
errors_ns = np.rint(random.normal(0, 5e5, len(line.shots))).astype(np.int64)
wrong = replace(line.shots, fire_time_ns=line.shots.fire_time_ns + errors_ns)
result = deblend.separate(
    line.recording, wrong, length_s=line.length_s, method="fk", iterations=counts[-1]
)
row = score(line, result.estimate.values)
print(
    f"with wrong times: {row['snr_db']:.1f} dB, leakage {row['leakage_db']:.1f} dB; "
    f"with right ones {readings[-1]['snr_db']:.1f} and {readings[-1]['leakage_db']:.1f} dB"
)
assert row["snr_db"] < readings[-1]["snr_db"]
