# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
# ---

# %% [markdown]
# # Is the stated confidence true?
#
# Every reading says how far it may be off: "7.1 +- 0.2 twists per inch" claims that the truth lies between 6.9 and 7.3
# in 95 of 100 such readings. A call ("conforming") comes with a confidence, which claims how often such calls are
# right. Claims like these can be proved false, where the truth is known.
#
# Here it is known. The scenes are painted by `python -m fixtures.quick`: wire, twist, heads, card, lamp, blur and
# noise are drawn at random and worked out by geometry, so that every twist is counted before the picture exists. Each
# was read once, the wire's diameter given; every third one was also told where its run begins and ends. `coverage.csv`
# holds one row a scene: what is true, and what was stated. Everything below is worked out from those rows.
#
# *What this cannot prove.* A painted wire is no photographed one: lenses, cutters, dirt and hands do what no painter
# thought of. And a share "of all scenes" is a share of scenes as they were drawn: a bench with other wire, other light
# and other limits has another mixture. It can show that a claim is false; that it holds on a bench, only photographs
# of that bench can show.

# %%
import sys
from collections import Counter
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
from scipy.stats import halfnorm

ROOT = next(folder for folder in (Path.cwd(), *Path.cwd().parents) if (folder / "fixtures" / "pictures").is_dir())
sys.path.insert(0, str(ROOT))

from tests.benchmarks import confidence, scoring

rows = confidence.load(ROOT / "notebooks" / "coverage.csv")
odd = ~confidence.fitted(rows)
read = rows["code"] == ""
print(f"{len(read)} scenes, {read.sum()} read, {(~read).sum()} refused:")
for code, many in Counter(rows["code"][~read].tolist()).most_common():
    print(f"  {many:5d}  {code}")

# %% [markdown]
# A refusal ("the card is too small", "no twisted wire found") claims nothing and so cannot be false. All that follows
# is of the pictures that were read.
#
# ## The error against what was stated
# The stated uncertainty is 1.96 standard deviations. Divide every error by the standard deviation stated beside it: if
# the statement is true, the errors so measured follow the half of a bell, whatever the picture. More to the right than
# the curve has means that too little was stated; all to the left, too much.

# %%
errors = confidence.scores(rows)
MOST = 4.0
edges = np.linspace(0, MOST, 17)
fig, panels = plt.subplots(1, 2, figsize=(12, 4.5), sharey=True)
for panel, (source, title) in zip(
    panels, {"card": "scale from a card", "wire": "scale from the wire"}.items(), strict=True
):
    mask = confidence.of_source(rows, source) & np.isfinite(errors)
    found, stated = errors[mask], confidence.COVERAGE_95 * rows["u"][mask] / rows["tpi"][mask]
    beyond = int((found > MOST).sum())
    share = np.histogram(found, edges)[0] / max(1, len(found))
    panel.bar(
        edges[:-1], 100 * share, np.diff(edges), align="edge", color="lightsteelblue", edgecolor="black", label="read"
    )
    expected = np.diff(halfnorm.cdf(edges))
    panel.step(
        edges, 100 * np.append(expected, expected[-1]), "k--", where="post", lw=2, label="if what is stated is true"
    )
    panel.bar(
        MOST + 0.25, 100 * beyond / max(1, len(found)), 0.5, align="edge", color="white", edgecolor="black", hatch="///"
    )
    panel.text(MOST + 0.5, 100 * beyond / max(1, len(found)) + 0.5, f"{beyond}", ha="center")
    panel.axvline(confidence.COVERAGE_95, color="black", lw=1, ls=":")
    panel.text(
        confidence.COVERAGE_95 + 0.05,
        0.97,
        "edge of the\n95 % interval",
        transform=panel.get_xaxis_transform(),
        va="top",
    )
    panel.set_xticks([0, 1, 2, 3, 4, MOST + 0.5], ["0", "1", "2", "3", "4", "more"])
    panel.set_title(f"{title}, {mask.sum()} runs")
    panel.set_xlabel("|error| / standard deviation stated")
    if mask.any():
        off = np.abs(rows["tpi"] / rows["true_tpi"] - 1)[mask]
        print(
            f"{title}, medians: stated +- {100 * np.median(stated):.1f} % of the twists per inch, "
            f"off by {100 * np.median(off):.1f} %"
        )
panels[0].set_ylabel("share of the runs, %")
panels[0].legend(loc="center right")
fig.tight_layout()

# %% [markdown]
# ## How often the interval holds the truth
# It should in 95 of 100. Each bar is what is known of that share from so many scenes (Clopper and Pearson's exact
# bounds): where a bar leaves 95 % out, the claim is hard to uphold for scenes like these (of so many bars one or the
# other does so by chance). The shares are told apart by what a photographer chooses or cannot help, since an interval
# may be right on average and wrong for all that is blurred.
#
# The second, open mark is a repair, and a test of it. From the scenes of even number one works out by which factor
# every standard deviation would have to be multiplied to hold the truth in 95 of 100 (split conformal prediction); the
# mark shows how often that held in the scenes of odd number, which the factor has not seen. A factor of 1 means that
# there is nothing to repair; where there are too few scenes there is none.

# %%
by_source = confidence.factors(rows)
for name, factor in by_source.items():
    print(f"factor, {name:<8} {f'{factor:.3f}' if np.isfinite(factor) else 'too few scenes'}")


def draw_coverage(panel, scores, factor, title, named):
    """Draw one mark with its bounds for every condition, stated and repaired, and print the same."""
    stated = confidence.coverage_table(rows, scores)
    repaired = confidence.coverage_table(
        confidence.chosen(rows, odd), scores[odd], confidence.COVERAGE_95 * factor[odd]
    )
    kinds = [(stated, 0.0, "o", "black", "as stated, every scene")]
    if np.isfinite(factor[np.isfinite(scores)]).all():
        kinds = [(stated, -0.17, *kinds[0][2:]), (repaired, 0.17, "s", "white", "after the factor, odd scenes")]
    print(f"\n{title}: {'; '.join(kind[-1] for kind in kinds)}")
    for table, aside, mark, fill, label in kinds:
        known = [(place, one) for place, one in enumerate(table.values()) if one.of]
        at = np.array([place + aside for place, _ in known])
        share = np.array([100 * one.share for _, one in known])
        low, high = 100 * np.array([one.bounds for _, one in known]).T
        panel.errorbar(
            share,
            at,
            xerr=[share - low, high - share],
            fmt=mark,
            ms=6,
            mfc=fill,
            color="black",
            lw=1.2,
            capsize=2,
            label=label,
        )
    for name, one in stated.items():
        print(f"  {name:<27} {one!s:<31} {repaired[name] if len(kinds) > 1 else ''}".rstrip())
    panel.axvline(95, color="black", ls="--", lw=1)
    panel.set_yticks(
        range(len(stated)), [f"{name}  ({one.of})" if named else f"({one.of})" for name, one in stated.items()]
    )
    for place in range(0, len(stated), 2):
        panel.axhspan(place - 0.5, place + 0.5, color="black", alpha=0.05, lw=0)
    panel.set_ylim(len(stated) - 0.5, -0.5)
    panel.set_title(title)
    panel.set_xlabel("intervals that hold the truth, %  (dashed: 95)")


fig, panels = plt.subplots(1, 2, figsize=(13, 8.5), sharex=True)
draw_coverage(panels[0], errors, confidence.factor_of(rows, by_source), "twists per inch of the run", named=True)
tails = confidence.pigtail_scores(rows)
draw_coverage(panels[1], tails, np.full(len(tails), by_source["pigtail"]), "count of the pigtail", named=False)
fig.legend(*panels[0].get_legend_handles_labels(), loc="lower right", ncols=2)
fig.tight_layout(rect=(0, 0.04, 1, 1))

# %% [markdown]
# ## How true a probability is
# Put together all runs that were said to conform with a probability of about 70 %. Of those 70 in 100 should truly
# conform, and so at every height: the marks should lie on the diagonal. Left are the runs, each with the probability
# that its density lies within the limits, in ten bins; right the calls on whole pictures, each with its confidence
# against whether the call was right, which lie so close together that narrower bins show them. The number at a mark is
# how many stand behind it, its bar what is known of the share.
#
# A call is right where the picture truly is what was called: every run in view has a density within the limits, and so
# has the pigtail's count, if one was checked. A call on something that is not there (a run where there is none, a
# pigtail taken for a run) counts as wrong, even if the picture is what was called.
#
# Both are of usual wire alone: bare metal, and pigtails of an inch and a quarter at most. The painter also lays
# insulated wire of two colours, of which a grey picture may show one strand alone, so that every other twist goes
# unseen; and pigtails twice as long as any limit allows, which are taken for runs. Neither is lock wire that one meets.
# Both are in all that went before, and the figures of every scene are printed below too.
#
# *Calibration error* is how far the marks of ten bins lie from the diagonal, weighted by how many readings stand
# behind each; the *Brier score* is the mean square of probability less truth, 0 for an oracle and 0.25 for one who
# always says "perhaps".

# %%
usual = confidence.chosen(rows, confidence.usual_wire(rows))


def stated_and_true(rows):
    """Return the two kinds of probability, each with whether it came true."""
    called, wrong = confidence.called_wrong(rows)
    return {
        "a run's density conforms": confidence.run_probability(rows),
        "the call of the picture is right": (rows["confidence"][called], ~wrong[called]),
    }


for whose, some in {"every scene": rows, "usual wire": usual}.items():
    for title, (probability, true) in stated_and_true(some).items():
        if len(true):
            error, squared = scoring.calibration_error(probability, true), scoring.brier(probability, true)
            print(f"{whose}, {title}: {len(true)}, calibration error {error:.3f}, Brier score {squared:.3f}")
fig, panels = plt.subplots(1, 2, figsize=(12, 5.5))
for panel, (title, (probability, true)), count in zip(panels, stated_and_true(usual).items(), (10, 50), strict=True):
    bins = scoring.reliability(probability, true, count)
    for one in bins:
        low, high = (100 * bound for bound in one.true.bounds)
        at, share = 100 * one.mean, 100 * one.true.share
        panel.errorbar(at, share, yerr=[[share - low], [high - share]], fmt="ko", ms=6, lw=1.2, capsize=3)
        panel.annotate(f"{one.true.of}", (at, high), (0, 7), textcoords="offset points", ha="center", fontsize=9)
    least = 100 * min((one.mean for one in bins), default=0.0)
    edge = -3.0 if least < 50 else least - 3
    panel.plot([max(edge, 0), 100], [max(edge, 0), 100], "k--", lw=1, label="as stated")
    panel.set_title(f"{title} ({len(true)})")
    panel.set_xlabel("stated, %")
    panel.set_ylabel("true, %")
    panel.set_xlim(edge, 100 + 0.03 * (100 - edge))
    panel.set_ylim(top=108)
    panel.legend(loc="upper left" if least < 50 else "lower right")
fig.tight_layout()

# %% [markdown]
# ## What the calls are worth
# Most important of all is the false accept: called conforming, and truly not. The bounds say how rare that can be said
# to be from so many calls.

# %%
for whose, some in {"every scene": rows, "usual wire": usual}.items():
    called, conforms = confidence.called_wrong(some)[0], confidence.truly_conforms(some)
    print(whose)
    for title, share in {
        "calls given, of the pictures read": scoring.share_of(called[some["code"] == ""]),
        "called conforming, truly not": scoring.share_of(~conforms[some["call"] == "conforming"]),
        "called nonconforming, truly is": scoring.share_of(conforms[some["call"] == "nonconforming"]),
        "called what is not there": scoring.share_of(confidence.mistaken(some)[called]),
    }.items():
        print(f"  {title:<35} {share} %")

# %% [markdown]
# ## Is the confident one right more often?
# Sort all that was read of usual wire by its confidence, and look at the most confident tenth, fifth, ... up to all.
# The line shows how many of them are wrong; where no call was given, the likelier of the two answers is taken. A
# confidence that is worth something makes the line rise to the right: whoever has time to look at some pictures by eye
# should begin with the least confident. The dashed line is what the confidences themselves promise; the grey band is
# what is known of the line from so many readings.

# %%
usual_read = usual["code"] == ""
sure = usual["confidence"][usual_read]
among, risk = scoring.risk_coverage(sure, confidence.settled_wrong(usual)[usual_read])
promised = np.cumsum(np.sort(1 - sure)) / np.arange(1, len(sure) + 1)
every = np.unique(np.linspace(0, len(risk) - 1, 200).astype(int))
bounds = np.array([scoring.clopper_pearson(round(risk[k] * (k + 1)), k + 1) for k in every])
enough = np.maximum(0, np.searchsorted(every, min(20, len(risk)) - 1))
fig, axes = plt.subplots(figsize=(9, 4.5))
axes.fill_between(100 * among[every], *(100 * bounds.T), color="black", alpha=0.12, lw=0, label="95 % bounds")
axes.plot(100 * among, 100 * risk, "k-", lw=2, label="wrong")
axes.plot(100 * among, 100 * promised, "k--", lw=1.5, label="wrong, as the confidences promise")
axes.set_ylim(0, 1.3 * 100 * bounds[enough:, 1].max())
axes.set_xlim(0, 100)
axes.set_xlabel("most confident share of what was read, %")
axes.set_ylabel("wrong among them, %")
axes.legend(loc="upper right")
print(f"area under the line {risk.mean():.4f}; as promised {promised.mean():.4f}")
for part in (0.25, 0.5, 0.75, 1.0):
    at = int(np.ceil(part * len(risk))) - 1
    print(
        f"of the most confident {100 * part:3.0f} % are wrong {100 * risk[at]:5.1f} %, "
        f"promised {100 * promised[at]:5.1f} %"
    )
fig.tight_layout()

# %% [markdown]
# What the figures say, they say of scenes that were painted. A photograph cannot prove torque, alloy, tension or
# reuse, and the aircraft's own manual and licensed practice govern.
