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
import json
from pathlib import Path

import cv2
import matplotlib.pyplot as plt
import numpy as np

from calibration import find_card
from visionwire import budget, find, learned, measure, scan, section, twist
from visionwire.photo import open_photo

ROOT = next(folder for folder in (Path.cwd(), *Path.cwd().parents) if (folder / "fixtures" / "pictures").is_dir())
photo = open_photo(ROOT / "fixtures" / "pictures" / "demo.jpg")
gray = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
luminance = gray.astype(np.float32)
height_px, width_px = gray.shape

# %% [markdown]
# ## The card: a ruler that lies in the picture
# The corners where four squares meet are found to a small part of a pixel. They give a homography, and so millimetres
# for every place on the card's plane; with the lens known or guessed, also how far and how tilted the card lies.

# %%
sight = find_card(gray, focal_px=photo.focal_px)
assert sight is not None
plane = sight.plane
print(f"card {plane.card}, {len(plane.points_px)} corners, {plane.residual_px:.2f} px from where they should be")
print(f"scale near its middle: {plane.px_per_mm(plane.points_px.mean(0)):.2f} px/mm")
fig, axes = plt.subplots(figsize=(9, 6))
axes.imshow(photo.pixels)
axes.plot(*plane.points_px.T, "+", color="yellow")
axes.set_title("the card's corners as found")
axes.set_axis_off()

# %% [markdown]
# ## The ribbon: where wire may be
# A twisted pair is a ribbon of edges one to two wires wide. The rims of bolt heads and the card's squares are such
# ribbons too; what is twisted shows only on the strip. A small network looks as well, and says where it takes something
# for twist. Both only point at lines. The line drawn is the spine in the end.

# %%
diameter_px = scan.diameter_px(gray.shape, plane, None, None)
ribbon = find.ribbon(luminance, diameter_px)
seen = learned.maps(luminance, diameter_px)
main = max(scan.sections(luminance, diameter_px, plane, None), key=lambda one: one.twists)
fig, panels = plt.subplots(1, 2, figsize=(11, 4.2))
panels[0].imshow(ribbon.strength, cmap="gray", vmax=np.quantile(ribbon.strength, 0.995))
panels[0].plot(*find.to_maps(main.spine_px, ribbon.scale).T, color="orange")
panels[0].set_title("ribbons of edges, and the spine of the run")
panels[1].imshow(seen.twisted, cmap="gray")
panels[1].set_title("what the network takes for twist")
for panel in panels:
    panel.set_axis_off()

# %% [markdown]
# ## The strip, and what it looks like
# The picture is straightened along the spine. At every place along it, the direction of the edges is held against a
# drawn pair of every spacing and of both hands. The hand that fits, at the spacing that fits, stands out; twice and
# half the spacing do not, since a drawn pair of that spacing slopes otherwise.

# %%
strip = main.strip
hands = twist.spectra(strip, twist.normalise(strip), twist.orientations(strip))
largest = max(float(hand.max()) for hand in hands)
spacing_d = 2 * np.pi * strip.step_d / np.gradient(main.twist.phase)
fig, panels = plt.subplots(1, 2, figsize=(11, 4), sharey=True)
for panel, hand, lay in zip(panels, hands, twist.LAYS, strict=True):
    columns = np.arange(hand.shape[1])
    panel.pcolormesh(columns, twist.SPACINGS_D, hand, cmap="gray", vmin=0, vmax=largest, shading="nearest")
    panel.set_yscale("log")
    panel.set_yticks([2, 4, 8, 16], ["2", "4", "8", "16"])
    panel.minorticks_off()
    panel.set_title(f"likeness to a pair of lay {lay}")
    panel.set_xlabel("column of the strip")
    if lay == main.twist.lay:
        panel.plot(columns, spacing_d, color="orange", lw=1)
panels[0].set_ylabel("spacing of the crossings, wire diameters")
print(f"lay {main.twist.lay}, likeness {main.score:.2f}; beside the wire {section.beside(luminance, main):.2f}")

# %% [markdown]
# ## The phase, and so the count
# Fitting a repeating pattern whose phase is a smooth curve gives the count with its fraction. The phase is a whole
# number of turns at every crossing (the lines). What is left after a straight line is how uneven the twist is.

# %%
turns = main.twist.phase / (2 * np.pi)
turns = turns[main.first : main.last + 1]
columns = np.arange(main.first, main.last + 1)
fig, panels = plt.subplots(2, 1, figsize=(11, 4.5), sharex=True)
panels[0].imshow(strip.values, cmap="gray", aspect="auto")
for crossing in np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1):
    panels[0].axvline(np.interp(crossing, turns, columns), color="orange", lw=1)
panels[0].set_ylabel("row")
panels[1].plot(columns, turns - np.interp(columns, columns[[0, -1]], turns[[0, -1]]))
panels[1].set_xlabel("column of the strip")
panels[1].set_ylabel("twists ahead of\nan even twist")
print(f"{main.twists:.2f} twists, +- {2 * main.twists_u:.2f} between the ends as placed")

# %% [markdown]
# ## The length, and what it may be off by
# The spine is read on the plane at the wire's own height above the card: 2 mm is taken, 0 to 4 are thought possible.
# That height, not the twist, is what the density is unsure by.

# %%
ruler = budget.beside(plane, photo.focal_px, (width_px, height_px))
print(f"{ruler.along_in(main.spine_px)[-1]:.3f} in")
for name, relative_u in ruler.terms(main.spine_px).items():
    print(f"{name:>8}  {100 * relative_u:.2f} %")
print(f"{'count':>8}  {100 * main.twists_u / main.twists:.2f} %")

# %% [markdown]
# ## The call
# Twists over length, and the probability that the true density lies between the limits, decide (JCGM 106:2012). The
# shaded band is the 95 % uncertainty, the dashed lines are the limits.

# %%
reading = measure(photo)
assert reading
run, check = reading.runs[0], reading.checks[0]
at_in, density, u95 = np.array([(one.at_in, one.twists_per_inch, one.u95) for one in run.profile]).T
fig, axes = plt.subplots(figsize=(9, 3))
axes.plot(at_in, density)
axes.fill_between(at_in, density - u95, density + u95, alpha=0.2)
for limit in (check.low, check.high):
    axes.axhline(limit, color="black", ls="--")
axes.set_xlabel("inches along the run")
axes.set_ylabel("twists per inch")
print(f"{run.twists_per_inch:.2f} +- {run.twists_per_inch_u95:.2f} twists per inch: {run.call}")

# %% [markdown]
# This photograph was computed, so the truth is known. On the bench it is not: a photograph cannot prove torque, alloy,
# tension or reuse, and the aircraft's own manual and licensed practice govern.

# %%
truth = json.loads((ROOT / "fixtures" / "pictures" / "demo.json").read_text(encoding="utf-8"))["runs"][0]
print(f"true: {truth['mean_tpi']:.2f} twists per inch, lay {truth['lay']}")
assert abs(run.twists_per_inch - truth["mean_tpi"]) < run.twists_per_inch_u95
assert run.lay == truth["lay"]
