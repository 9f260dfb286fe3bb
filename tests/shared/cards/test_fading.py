"""A chart of simulated photos whose card is known to be steady, to fade, or to be shaded once."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from polypward.cards.fading import BASELINE, chart_card

PATCHES = [f"patch {n}" for n in range(30)]


def photos(count, seed, *, fade_from=None, by=(0.0, 0.0, 0.0), noise=1.0, shaded=()):
    """Residuals of photos a day apart; half of a photo's noise is common to its patches."""
    rng = np.random.default_rng(seed)
    prints = rng.normal(0, 4, (30, 3))
    share = rng.uniform(0.5, 1.5, (30, 1))
    made = []
    for n in range(count):
        common, own = rng.normal(0, noise * 0.7, 3), rng.normal(0, noise * 0.7, (30, 3))
        one = prints + common + own
        if fade_from is not None and n >= fade_from:
            one = one + share * np.array(by) * min(1.0, (n - fade_from + 1) / 10)
        if n in shaded:
            one = one + np.array([-12.0, 0, 0])
        made.append(one)
    start = datetime(2026, 1, 1, 12, tzinfo=UTC)
    return [start + timedelta(days=n) for n in range(count)], made


def test_a_steady_card_stays_steady() -> None:
    # Aim as for specimens: under 1 false alarm in 100 weeks of two photos; 60 cards of 50 photos.
    alarms = 0
    for seed in range(60):
        chart = chart_card(*photos(50, seed), names=PATCHES)
        alarms += chart.since is not None
    assert alarms <= 1


@pytest.mark.parametrize("by", [(4.0, -3.0, 6.0), (8.0, 0.0, 0.0), (0.0, 0.0, 7.0)])
def test_a_fading_card_is_told_with_its_patches(by) -> None:
    late = []
    for seed in range(20):
        times, made = photos(50, seed, fade_from=20, by=by)
        chart = chart_card(times, made, names=PATCHES)
        assert chart.since is not None
        late.append((chart.since - times[20]).days)
        assert len(chart.patches) == 5
        biggest = max(range(3), key=lambda k: abs(by[k]))
        for _, change in chart.patches:
            assert np.sign(change[biggest]) == np.sign(by[biggest])
    # The fade takes ten photos to be complete.
    assert np.median(late) <= 14


def test_one_shaded_photo_is_no_faded_card() -> None:
    chart = chart_card(*photos(40, 3, shaded=(25,)), names=PATCHES)
    assert chart.since is None


def test_a_card_put_right_is_right_again() -> None:
    times, made = photos(60, 4, fade_from=20, by=(6.0, 0, 0))
    _, steady = photos(60, 4)
    chart = chart_card(times, made[:35] + steady[35:], names=PATCHES)
    assert chart.since is None


def test_few_photos_say_nothing_and_hidden_patches_are_left_out() -> None:
    times, made = photos(BASELINE, 1)
    assert not chart_card(times, made, names=PATCHES).ready
    times, made = photos(30, 1)
    for one in made:
        one[4] = np.nan
    made[12][:20] = np.nan
    chart = chart_card(times, made, names=PATCHES)
    assert chart.ready
    assert chart.since is None
