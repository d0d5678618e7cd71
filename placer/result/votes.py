"""What the composer's ear says about the weights of the cost.

A choice of one version among several is more likely the less that version costs: with utilities
u = -s * (sum over terms of weight * term), P(i among C) = exp(u_i) / sum over C of exp(u). For two
versions that is the Bradley-Terry model, for more Luce's choice axiom. Weights are default * exp(d)
with d ~ N(0, `PRIOR_SD`^2), so few votes barely move them, none changes sign and a term that is
switched off stays off. s, how sure the ear is, is fitted along.

*Conventions*: versions (rows) by terms (columns), terms unweighted as in result.json.

`fit`: choices to weights with their uncertainty (Laplace approximation at the mode).
`learn`: the same from runs and their votes. `weights_toml`: a file that a cue can name.

Sources
-------
Bradley & Terry (1952), Biometrika 39, 324-345. Luce (1959), Individual Choice Behavior, axiom 1.
Laplace approximation: MacKay (2003), Information Theory, Inference and Learning Algorithms, ch. 27.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from msgspec import Struct
from scipy.optimize import minimize

from placer.cue.records import Weights
from placer.result.model import Number, Rank, Result
from sim.decibel import FloatArray

PRIOR_SD = 0.35
"""Standard deviation of a weight's logarithm before any vote (a factor of 1.42); taste."""
SCALE_SD = 1.0
"""The same of the logarithm of how sure the ear is."""
FAVOUR = 3.0
"""Odds expected before any vote for the best version against the reference; taste."""
MOVED = 0.1
"""Change of a weight's logarithm worth words."""
FIRST_LINE = "# Weights of the cost terms, learned from listening."
"""Of every file of weights, by which it is known."""
LEAST_GAP = 0.02
"""Cost difference below which two versions count as this far apart when the prior is set."""


class Vote(Struct, frozen=True, kw_only=True):
    """One choice of a listener among versions of a run, named by rank.

    Attributes
    ----------
    chosen : None for "no difference"
    among : at least two
    blind : without names in sight
    passage : from and to, s
    mono, speakers : heard in mono, on simulated loudspeakers
    track : the one layer that was heard, or None
    """

    chosen: Rank | None
    among: tuple[Rank, ...]
    blind: bool = False
    passage: tuple[Number, Number] = (0.0, 0.0)
    mono: bool = False
    speakers: bool = False
    track: str | None = None
    note: str = ""
    time: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """One vote: rows of the versions on offer and which of them (a row too) was preferred."""

    chosen: int
    among: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Learned:
    """Weights after the votes.

    Attributes
    ----------
    names : of the terms
    before, weights : default and learned weight of each term
    factor_sd : standard deviation of each weight's logarithm
    scale : how strongly cost decides, per unit of cost
    votes, undecided : choices that were used, and those without a preference
    apart : votes that teach nothing: sighted, mono, on one layer, on simulated loudspeakers
    """

    names: tuple[str, ...]
    before: tuple[float, ...]
    weights: tuple[float, ...]
    factor_sd: tuple[float, ...]
    scale: float
    votes: int
    undecided: int
    apart: int = 0


def fit(
    terms: FloatArray,
    choices: Sequence[Choice],
    before: FloatArray,
    *,
    scale: float,
    prior_sd: float = PRIOR_SD,
    scale_sd: float = SCALE_SD,
) -> tuple[FloatArray, FloatArray, float]:
    """Fit weights to choices.

    Parameters
    ----------
    terms : (version, term) FloatArray
        Unweighted terms.
    choices : sequence of Choice
    before : (term,) FloatArray
        Default weights.
    scale : float
        How strongly cost decides before any vote, per unit of cost.
    prior_sd, scale_sd : float
        Standard deviations of the logarithms; a `scale_sd` of 0 keeps the scale.

    Returns
    -------
    weights, factor_sd : (term,) FloatArray
        Learned weights, and the standard deviation of their logarithms.
    scale : float
    """
    parts = terms * before
    spread = np.array([*[prior_sd] * terms.shape[1], scale_sd])
    free = spread > 0.0
    start = np.array([*np.zeros(terms.shape[1]), math.log(scale)])
    precision = np.diag(1.0 / np.square(spread[free]))

    def _whole(moved: FloatArray) -> FloatArray:
        point = start.copy()
        point[free] += moved
        return point

    def _loss(moved: FloatArray) -> tuple[float, FloatArray]:
        value, slope, _ = _likelihood(parts, choices, _whole(moved))
        return 0.5 * float(moved @ precision @ moved) - value, precision @ moved - slope[free]

    def _curvature(moved: FloatArray) -> FloatArray:
        _, _, bend = _likelihood(parts, choices, _whole(moved))
        curved: FloatArray = precision - bend[np.ix_(free, free)]
        return curved

    found = minimize(
        _loss, np.zeros(int(free.sum())), jac=True, hess=_curvature, method="trust-exact",
        options={"gtol": 1e-9},
    )  # fmt: skip
    point = _whole(found.x)
    deviations = np.zeros(len(start))
    deviations[free] = np.sqrt(np.diag(np.linalg.inv(_curvature(found.x))))
    return before * np.exp(point[:-1]), deviations[:-1], float(np.exp(point[-1]))


def _likelihood(
    parts: FloatArray, choices: Sequence[Choice], point: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood of all choices, its gradient and its Hessian in (log factors, log scale)."""
    count = len(point)
    value, slope, bend = 0.0, np.zeros(count), np.zeros((count, count))
    weighted = -np.exp(point[-1] + point[:-1]) * parts
    utility = weighted.sum(1)
    first = np.concatenate([weighted, utility[:, None]], axis=1)
    for choice in choices:
        rows = list(choice.among)
        shifted = utility[rows] - utility[rows].max()
        chance = np.exp(shifted) / np.exp(shifted).sum()
        value += float(utility[choice.chosen] - utility[rows].max() - np.log(np.exp(shifted).sum()))
        mean = chance @ first[rows]
        gap = first[choice.chosen] - mean
        slope += gap
        bend -= (first[rows] - mean).T @ (chance[:, None] * (first[rows] - mean))
        bend += np.diag(np.append(gap[:-1], 0.0))  # d2u/dd2 = du/dd
        bend[-1, :] += gap  # d2u/(dd ds) = du/dd, d2u/ds2 = u
        bend[:-1, -1] += gap[:-1]
    return value, slope, bend


def default_weights(result: Result) -> dict[str, float]:
    """Weights that a run was searched with; the tool's own where it does not say."""
    return dict(result.weights or asdict(Weights()))


def learn(runs: Sequence[tuple[Result, Sequence[Vote]]]) -> Learned:
    """Learn weights from the votes of one run or of several.

    Parameters
    ----------
    runs : sequence of (result, votes)
        The first run's weights are the defaults.

    Returns
    -------
    Learned
    """
    before = default_weights(runs[0][0])
    names = tuple(before)
    rows: list[list[float]] = []
    choices: list[Choice] = []
    undecided, apart, gaps = 0, 0, []
    for result, votes in runs:
        mixes = result.all_mixes
        index = {mix.rank: len(rows) + i for i, mix in enumerate(mixes)}
        rows += [[mix.terms.get(name, 0.0) for name in names] for mix in mixes]
        costs = [sum(before[name] * mix.terms.get(name, 0.0) for name in names) for mix in mixes]
        gaps.append(max(LEAST_GAP, costs[0] - min(costs)))
        for vote in votes:
            # the composer's own mix has no terms: what was preferred among the others still counts
            among = tuple(index[rank] for rank in vote.among if rank in index)
            if not teaches(vote):
                apart += 1
            elif vote.chosen is None:
                undecided += 1
            elif vote.chosen in index and len(among) > 1:
                choices.append(Choice(index[vote.chosen], among))
    weights, deviations, scale = fit(
        np.array(rows), choices, np.array(list(before.values())),
        scale=math.log(FAVOUR) / float(np.mean(gaps)),
    )  # fmt: skip
    return Learned(
        names, tuple(before.values()), tuple(map(float, weights)), tuple(map(float, deviations)),
        scale, len(choices), undecided, apart,
    )  # fmt: skip


def teaches(vote: Vote) -> bool:
    """Whether a vote is one on whole mixes as they are, made blind; others are kept apart."""
    return vote.blind and not (vote.mono or vote.speakers or vote.track is not None)


def learned_words(learned: Learned) -> str:
    """How sure the learned weights are, in words."""
    told = _learned_words(learned)
    if not learned.apart:
        return told
    votes = f"{learned.apart} vote{'s' if learned.apart > 1 else ''}"
    return f"{told} Kept apart: {votes} made with the names in sight, in mono, or on one layer."


def _learned_words(learned: Learned) -> str:
    """The same without the votes that are kept apart."""
    if learned.votes == 0:
        return "No blind preferences yet, so the weights are those of the search."
    count = f"{learned.votes} preference{'s' if learned.votes > 1 else ''}"
    skipped = f", and {learned.undecided} without a preference" if learned.undecided else ""
    rows = zip(learned.names, learned.before, learned.weights, learned.factor_sd, strict=True)
    moved = [
        f"{name} to {weight / before:.2f} times (unsure by a factor of {math.exp(sd):.2f})"
        for name, before, weight, sd in rows
        if before > 0.0 and abs(math.log(weight / before)) >= MOVED
    ]
    if not moved:
        return f"{count}{skipped}: too few or too even to say much, so the weights barely move."
    sure = min(learned.factor_sd) / PRIOR_SD
    ending = "They are hardly surer than before" if sure > 0.8 else "They are surer than before"
    told = ", ".join(moved)
    return f"{count}{skipped}. Moved: {told}. {ending}; more votes, on other cues too, help."


def weights_toml(learned: Learned) -> str:
    """The learned weights as a file that a cue names by `[weights] file = "..."`."""
    lines = [
        FIRST_LINE,
        f"# {learned_words(learned)}",
        "# In brackets: the weight before, and the range that holds it with 68 % probability.",
        "[weights]",
    ]
    for name, before, weight, sd in zip(
        learned.names, learned.before, learned.weights, learned.factor_sd, strict=True
    ):
        low, high = weight * math.exp(-sd), weight * math.exp(sd)
        lines.append(f"{name} = {weight:.4f}  # ({before:g}; {low:.3g} to {high:.3g})")
    return "\n".join(lines) + "\n"
