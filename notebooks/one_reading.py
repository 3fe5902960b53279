# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
# ---

# %% [markdown]
# # The story of one reading
#
# A trainee at the practice bench has safetied two drilled heads and laid a printed card beside the wire. How does a
# photograph of it become "7 twists per inch"? One twist is a half turn of the pair, 180 degrees: the crossings that
# one sees repeat once per twist.

# %%
from pathlib import Path

import cv2
import matplotlib.pyplot as plt
import numpy as np

from calibration import find_card
from visionwire import find, measure, scan, section
from visionwire.photo import open_photo

ROOT = next(folder for folder in (Path.cwd(), *Path.cwd().parents) if (folder / "fixtures" / "pictures").is_dir())
photo = open_photo(ROOT / "fixtures" / "pictures" / "demo.jpg")
gray = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
luminance = gray.astype(np.float32)

# %% [markdown]
# ## The card: a ruler that lies in the picture
# Its corners are found to a small part of a pixel, and give a homography: millimetres for every place on its plane.

# %%
sight = find_card(gray)
assert sight is not None
print(f"card {sight.card.name}, {len(sight.points_px)} points, residual {sight.residual_px:.2f} px")
print(f"scale near its middle: {sight.plane.px_per_mm(sight.points_px.mean(0)):.2f} px/mm")
fig, axes = plt.subplots(figsize=(9, 6))
axes.imshow(photo.pixels)
axes.plot(*sight.points_px.T, "+", color="yellow")
axes.set_axis_off()

# %% [markdown]
# ## Where wire may be
# A twisted pair is a ribbon of edges one to two wires wide. Bolts, scratches and the card have such ribbons too; what
# is twisted shows only on the strip.

# %%
diameter_px = scan.diameter_px(gray.shape, sight.plane, None, None)
ribbon = find.ribbon(luminance, diameter_px)
runs, tails = scan.sections(luminance, diameter_px, sight.plane, None)
main = max(runs, key=lambda one: one.twists)
fig, axes = plt.subplots(figsize=(9, 6))
axes.imshow(ribbon.strength, cmap="gray", vmax=np.quantile(ribbon.strength, 0.995))
axes.plot(*find.to_maps(main.spine_px, ribbon.scale).T, color="orange")
axes.set_axis_off()

# %% [markdown]
# ## The strip and the phase
# The picture is straightened along the spine. Fitting a repeating pattern whose phase is a smooth curve gives the count
# with its fraction; the phase is a whole number of turns at every crossing.

# %%
twist = main.twist
turns = twist.phase / (2 * np.pi)
fig, axes = plt.subplots(2, 1, figsize=(11, 4.5), sharex=True)
axes[0].imshow(main.strip.values, cmap="gray", aspect="auto")
for count in np.arange(np.ceil(turns[main.first]), np.floor(turns[main.last]) + 1):
    axes[0].axvline(np.interp(count, turns, np.arange(len(turns))), color="orange", lw=1)
axes[1].plot(turns - turns[main.first])
axes[1].set_xlabel("column of the strip")
axes[1].set_ylabel("twists so far")
print(f"{main.twists:.2f} twists, lay {twist.lay}, likeness to a pair {main.score:.2f}")
print(f"beside the wire: {section.beside(luminance, main):.2f}")

# %% [markdown]
# ## The call
# Twists over length, read on the plane at the wire's height, each with its uncertainty; the probability that the true
# density lies between the limits decides (JCGM 106:2012). A photograph cannot prove torque, alloy, tension or reuse,
# and the aircraft's own manual governs.

# %%
reading = measure(photo)
assert reading
run = reading.runs[0]
fig, axes = plt.subplots(figsize=(9, 3))
at, density = zip(*((point.at_in, point.twists_per_inch) for point in run.profile), strict=True)
axes.plot(at, density)
axes.axhspan(6, 8, alpha=0.2)
axes.set_xlabel("inches along the run")
axes.set_ylabel("twists per inch")
print(f"{run.twists_per_inch:.2f} +- {run.twists_per_inch_u95:.2f} twists per inch: {run.call}")
