import json
import math
import tomllib

import numpy as np
import pytest
from msgspec import to_builtins
from msgspec.structs import replace
from scipy.optimize import minimize
from scipy.stats import binomtest

from placer.cli import main
from placer.cue.records import Weights
from placer.errors import FolderError
from placer.result.record import add, guessing, learn_from, read_record
from placer.result.votes import (
    PRIOR_SD,
    Choice,
    Vote,
    default_weights,
    fit,
    learn,
    learned_words,
    weights_toml,
)
from tests.placer.result_run import TERMS, run_result, write_run

WIDE = 1e4
"""A prior so wide that it says nothing."""


def record(*votes):
    return [Vote(chosen=chosen, among=among, blind=True) for chosen, among in votes]


@pytest.mark.parametrize(("wins", "losses"), [(7, 3), (1, 1), (2, 9)])
def test_two_versions_and_one_term_meet_the_closed_form(wins, losses):
    """Without a prior the odds are those counted: weight * gap = log(wins / losses).

    Source: Bradley & Terry (1952), the maximum-likelihood estimate for two items.
    """
    gap = 0.4 if wins >= losses else -0.4
    terms = np.array([[0.1], [0.1 + gap]])
    votes = [Choice(0, (0, 1))] * wins + [Choice(1, (0, 1))] * losses
    weights, _, scale = fit(terms, votes, np.array([2.0]), scale=1.0, prior_sd=WIDE, scale_sd=0.0)
    assert scale == 1.0
    if wins == losses:
        assert weights[0] * gap == pytest.approx(0.0, abs=1e-3)
    else:
        assert weights[0] * gap == pytest.approx(math.log(wins / losses), rel=1e-5)


def test_uncertainty_of_two_versions_meets_the_closed_form():
    """Fisher information of n Bernoulli trials in the log-odds is n p (1 - p); here as a factor."""
    terms, wins, losses = np.array([[0.0], [0.5]]), 8, 4
    votes = [Choice(0, (0, 1))] * wins + [Choice(1, (0, 1))] * losses
    weights, deviation, _ = fit(
        terms, votes, np.array([1.0]), scale=1.0, prior_sd=WIDE, scale_sd=0.0
    )
    odds = math.log(wins / losses)
    information = 12 * (2 / 3) * (1 / 3) * odds**2
    assert deviation[0] == pytest.approx(1.0 / math.sqrt(information), rel=1e-4)
    assert weights[0] * 0.5 == pytest.approx(odds, rel=1e-5)


def independent(terms, votes, before, scale):
    """The same posterior, written anew from its definition and climbed without derivatives."""

    def loss(point):
        w = before * np.exp(point[:-1])
        u = -np.exp(point[-1]) * (terms @ w)
        value = 0.5 * np.sum(np.square(point[:-1] / PRIOR_SD)) + 0.5 * np.square(
            point[-1] - math.log(scale)
        )
        for vote in votes:
            rest = [u[other] - u[vote.chosen] for other in vote.among]
            value += math.log(sum(math.exp(r) for r in rest))
        return value

    start = np.append(np.zeros(len(before)), math.log(scale))
    for _ in range(4):
        start = minimize(loss, start, method="Powell", options={"xtol": 1e-10, "ftol": 1e-14}).x
    return before * np.exp(start[:-1]), math.exp(start[-1])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_independent_fit_finds_the_same_weights(seed):
    """Powell's method on a likelihood written separately ends at the same mode."""
    rng = np.random.default_rng(seed)
    terms, before = rng.random((5, 4)), np.array([1.0, 0.2, 0.5, 0.1])
    votes = []
    for _ in range(40):
        among = tuple(rng.permutation(5)[: rng.integers(2, 5)])
        utility = -8.0 * terms[list(among)] @ (before * np.array([2.0, 1.0, 0.4, 1.0]))
        chosen = among[int(np.argmax(utility + rng.gumbel(size=len(among))))]
        votes.append(Choice(int(chosen), tuple(int(i) for i in among)))
    weights, _, scale = fit(terms, votes, before, scale=5.0)
    expected, expected_scale = independent(terms, votes, before, 5.0)
    np.testing.assert_allclose(weights, expected, rtol=1e-4)
    assert scale == pytest.approx(expected_scale, rel=1e-4)


def test_many_consistent_votes_find_the_taste_behind_them():
    """A simulated ear with other weights than the default: they are found within 2.5 sigma."""
    rng = np.random.default_rng(8)
    terms, before = rng.random((40, 3)), np.array([1.0, 0.5, 0.5])
    taste = np.array([0.5, 1.0, 0.5])
    votes = []
    for _ in range(1500):
        a, b = rng.choice(40, 2, replace=False)
        gap = 6.0 * (terms[b] - terms[a]) @ taste
        votes.append(
            Choice(int(a if rng.random() < 1 / (1 + math.exp(-gap)) else b), (int(a), int(b)))
        )
    weights, deviation, scale = fit(terms, votes, before, scale=6.0, prior_sd=2.0)
    ratio = np.log(weights / weights[0]) - np.log(taste / taste[0])
    assert np.all(np.abs(ratio) < 2.5 * np.hypot(deviation, deviation[0]))
    assert np.all(np.abs(ratio) < 0.3)
    assert scale > 0.0


def test_no_votes_change_nothing_and_one_barely_moves():
    """The prior holds; the words say so."""
    result = run_result()
    none = learn([(result, record())])
    assert none.weights == pytest.approx(none.before, rel=1e-9)
    assert none.factor_sd == pytest.approx([PRIOR_SD] * len(none.before))
    assert "No blind preferences yet" in learned_words(none)
    one = learn([(result, record((1, (0, 1, 2, 3))))])
    assert max(abs(math.log(a / b)) for a, b in zip(one.weights, one.before, strict=True)) < 0.15
    two = learn([(result, record((1, (0, 1)), (2, (0, 2))))])
    assert "2 preferences" in learned_words(two)


def test_votes_for_what_a_term_favours_raise_its_weight():
    """Forty choices of the version with the lowest audibility cost, against all others."""
    result = run_result()
    best = min(result.mixes, key=lambda mix: mix.terms["audibility"]).rank
    found = learn([(result, record(*[(best, (0, 1, 2, 3))] * 40))])
    weights = dict(zip(found.names, found.weights, strict=True))
    assert weights["audibility"] > 1.05 * Weights().audibility
    assert found.factor_sd[0] < PRIOR_SD
    assert f"audibility to {weights['audibility']:.2f} times" in learned_words(found)


def test_no_difference_counts_but_does_not_teach():
    """Undecided votes are said and leave the weights alone."""
    found = learn([(run_result(), record((None, (0, 1)), (None, (0, 2))))])
    assert (found.votes, found.undecided) == (0, 2)
    assert found.weights == pytest.approx(found.before)


def test_a_term_switched_off_stays_off():
    """Weight 0 stays 0 whatever is preferred; a run that names its weights begins from them."""
    result = replace(run_result(), weights=dict.fromkeys(TERMS, 1.0) | {"seating": 0.0})
    assert default_weights(result)["seating"] == 0.0
    found = learn([(result, record(*[(1, (0, 1))] * 20))])
    assert dict(zip(found.names, found.weights, strict=True))["seating"] == 0.0


@pytest.mark.parametrize(
    "detail", [{"blind": False}, {"mono": True}, {"speakers": True}, {"track": "Horns"}]
)
def test_votes_that_do_not_judge_the_mix_itself_are_kept_apart(detail):
    """Sighted, mono, by simulated loudspeakers, on one layer: counted, told, not learned from."""
    result = run_result()
    vote = Vote(chosen=1, among=(0, 1), blind=True)
    taught = learn([(result, [vote])])
    apart = learn([(result, [replace(vote, **detail)])])
    assert (taught.votes, taught.apart) == (1, 0)
    assert (apart.votes, apart.apart) == (0, 1)
    assert apart.weights == pytest.approx(apart.before)
    assert "Kept apart: 1 vote" in learned_words(apart)


def test_several_runs_teach_together():
    """Two runs with ten votes each are surer than one."""
    result = run_result()
    votes = record(*[(1, (0, 1, 2, 3))] * 10)
    one, two = learn([(result, votes)]), learn([(result, votes), (result, votes)])
    assert two.votes == 20
    assert min(two.factor_sd) < min(one.factor_sd)


def test_the_file_of_weights_is_toml_a_cue_can_name():
    """Read back by the standard library: every term of `Weights`, as learned."""
    found = learn([(run_result(), record(*[(1, (0, 1, 2, 3))] * 5))])
    weights = tomllib.loads(weights_toml(found))["weights"]
    assert list(weights) == list(Weights.__dataclass_fields__)
    assert list(weights.values()) == pytest.approx(found.weights, abs=6e-5)


def test_votes_are_added_whole_and_read_again(tmp_path):
    """Each addition keeps what was there; a strange or damaged file is refused, not replaced."""
    run = tmp_path / "run"
    result = write_run(run, mixes=2, seconds=0.5, stems=False)
    add(run, result, Vote(chosen=1, among=(0, 1, 2), blind=True))
    add(run, result, Vote(chosen=None, among=(0, 1), blind=True))
    record = read_record(run, result)
    assert [vote.chosen for vote in record.votes] == [1, None]
    kept = to_builtins(record)
    learned, text = learn_from([run])
    assert (learned.votes, learned.undecided) == (1, 1)
    assert tomllib.loads(text)["weights"]
    for damage in (
        {"schema": "placer.votes/2"},
        {"cue": {"name": "x", "hash": "1"}},
        {"votes": [{"chosen": 7, "among": [0, 7]}]},
        {"votes": [{"chosen": 1, "among": [0, 2]}]},
        {"votes": 3},
    ):
        (run / "votes.json").write_text(json.dumps(kept | damage))
        with pytest.raises(FolderError, match=r"votes\.json: .*move it away"):
            add(run, result, Vote(chosen=1, among=(0, 1)))
        assert json.loads((run / "votes.json").read_text()) == json.loads(json.dumps(kept | damage))


def test_learning_without_votes_says_what_to_do(tmp_path, capsys):
    """One line, no file: the weights would be those that were there before."""
    run = tmp_path / "run"
    result = write_run(run, mixes=2, seconds=0.5, stems=False)
    out = tmp_path / "weights.toml"
    for _ in range(2):  # "no difference" alone teaches nothing either
        assert main(["learn", str(run), "--out", str(out)]) == 2
        assert capsys.readouterr().err == (
            "placer: no preferences yet to learn from; compare blind and choose: "
            f"placer listen {run}\n"
        )
        add(run, result, Vote(chosen=None, among=(0, 1), blind=True))
    add(run, result, Vote(chosen=1, among=(0, 1), blind=True))
    assert main(["learn", str(run), "--out", str(out)]) == 0
    assert tomllib.loads(out.read_text())["weights"]


@pytest.mark.parametrize(("right", "trials"), [(0, 0), (0, 7), (5, 8), (10, 10), (61, 100)])
def test_the_probability_of_guessing_is_exact(right, trials):
    """The same as scipy's exact binomial test, one-sided."""
    expected = 1.0
    if trials:
        expected = binomtest(right, trials, 0.5, alternative="greater").pvalue
    assert guessing(right, trials) == pytest.approx(expected, rel=1e-12)
