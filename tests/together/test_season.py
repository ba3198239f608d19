"""What the calendar tells of a bone, against what is published of percids and as properties of every season."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy import stats

from pipeline.errors import SettingsError
from pipeline.records import Captured, Numbers
from pipeline.settings.files import read_settings
from pipeline.settings.second_pass import SeasonSettings
from pipeline.together.season import (
    DAYS,
    formed_log_odds,
    formed_probability,
    formed_within,
    margin_log_densities,
    normal,
    possible_days,
    season_table,
)

NORTH = read_settings().season
SOUTH = NORTH.model_copy(update={"hemisphere": "south"})


def on(text: str) -> Captured:
    """A capture date as written: 2020-05-13, 2020-05 or 2020."""
    year, month, day = ([int(p) for p in text.split("-")] + [None, None])[:3]
    assert year is not None
    return Captured(year=year, month=month, day=day)


def formed(text: str, annuli: int = 4, season: SeasonSettings = NORTH) -> float:
    return float(formed_probability(on(text), annuli, season))


def grown(annuli: int) -> Numbers:
    """(day,) usual share of the new increment laid down, of fish that have formed the annulus."""
    return np.exp(season_table(NORTH).log_mean[:, annuli]) - NORTH.margin_noise


def margin(share: ArrayLike, text: str, annuli: int = 4) -> Numbers:
    """Log density of a margin's share on a date, whether or not the annulus has formed."""
    day = possible_days(on(text), NORTH).day[:, None]
    odds = formed_log_odds(annuli, day, season_table(NORTH))
    formed_density, due_density = margin_log_densities(np.atleast_1d(share), annuli, day, NORTH)
    each = np.logaddexp(formed_density - np.logaddexp(0, -odds), due_density - np.logaddexp(0, odds))
    return np.asarray(np.logaddexp.reduce(each, axis=0) - np.log(len(day)))


# ------------------------------------------------------------------------------------------------ the annulus
def test_perch_of_southern_england_form_their_annulus_in_may() -> None:
    # Mann 1978, Perca fluviatilis of the River Stour, Dorset (50.8 N): annuli form in May, at the start of growth.
    stour = NORTH.model_copy(update={"forming_begins": "05-01", "forming_ends": "05-31"})
    assert formed("1975-04-20", 2, stour) < 0.02
    assert 0.3 < formed("1975-05-15", 2, stour) < 0.8
    assert formed("1975-06-05", 2, stour) > 0.98


def test_yellow_perch_of_lake_michigan_form_theirs_from_late_spring_and_all_by_late_july() -> None:
    # Baker & McComish, opercles of yellow perch, Lake Michigan: late spring to early summer, complete by late July.
    assert formed("1988-04-15") < 0.02
    assert 0.5 < formed("1988-06-15") < 0.99
    assert formed("1988-07-28") > 0.995


def test_growth_is_done_in_october_and_does_not_begin_before_the_annulus() -> None:
    # Mann 1978: growth of perch minimal from October to April.
    (autumn,), (spring,) = (possible_days(on(text), NORTH).day for text in ("1975-10-15", "1975-04-10"))
    assert grown(3)[autumn] > 0.95
    assert grown(3)[spring] < 0.01


@pytest.mark.parametrize("annuli", [0, 1, 5, 25])
def test_an_annulus_once_formed_stays_formed_and_growth_only_adds(annuli: int) -> None:
    table = season_table(NORTH)
    assert (np.diff(table.formed[:, annuli]) >= 0).all()
    assert (np.diff(grown(annuli)) >= -1e-3).all()
    assert -1e-9 <= grown(annuli).min() <= grown(annuli).max() <= 1
    assert table.formed[0, annuli] < 1e-3
    assert table.formed[-1, annuli] > 0.999


@given(day=st.integers(0, DAYS - 1), annuli=st.integers(1, 29))
@settings(max_examples=60, deadline=None)
def test_old_fish_form_theirs_no_earlier_than_young_ones(day: int, annuli: int) -> None:
    table = season_table(NORTH)
    assert table.formed[day, annuli + 1] <= table.formed[day, annuli] + 2e-3
    if 110 < day < 195:
        assert table.formed[day, 12] < table.formed[day, 1]


def test_the_day_after_is_never_a_leap() -> None:
    # smooth: no day of the year moves more than a twentieth of the fish
    assert np.abs(np.diff(season_table(NORTH).formed[:, 1:12], axis=0)).max() < 0.05


# ------------------------------------------------------------------------------------------------ dates
@given(month=st.integers(1, 12), day=st.integers(1, 28), year=st.integers(1950, 2050), annuli=st.integers(0, 20))
@settings(max_examples=60, deadline=None)
def test_a_southern_fish_is_a_northern_one_half_a_year_later(month: int, day: int, year: int, annuli: int) -> None:
    later_month, later_year = (month + 6, year) if month <= 6 else (month - 6, year + 1)
    north = Captured(year=year, month=month, day=day)
    south = Captured(year=later_year, month=later_month, day=day)
    assert formed_probability(south, annuli, SOUTH) == formed_probability(north, annuli, NORTH)
    assert possible_days(south, SOUTH).day == possible_days(north, NORTH).day


def test_the_end_of_august_in_the_south_is_the_end_of_february_in_the_north() -> None:
    assert possible_days(on("2021-08-31"), SOUTH).day.tolist() == possible_days(on("2020-02-29"), NORTH).day.tolist()


def test_leap_years_move_nothing() -> None:
    assert formed("2019-05-20") == formed("2020-05-20") == formed("2000-05-20") == formed("1900-05-20")
    assert len(possible_days(on("2020-02"), NORTH).day) == 29
    assert len(possible_days(on("2019-02"), NORTH).day) == 28
    assert len(possible_days(on("2019"), NORTH).day) == 365


def test_a_month_is_the_mean_of_its_days_and_a_year_of_its_months() -> None:
    days = [formed(f"2021-05-{d:02d}") for d in range(1, 32)]
    assert formed("2021-05") == pytest.approx(np.mean(days))
    whole = [formed(f"2021-{m:02d}") * len(possible_days(on(f"2021-{m:02d}"), NORTH).day) for m in range(1, 13)]
    assert formed("2021") == pytest.approx(sum(whole) / 365)


# ------------------------------------------------------------------------------------------------ the margin
def test_densities_of_the_margin_are_densities() -> None:
    share = np.linspace(0, 3, 6001)
    for text in ("2020-03-01", "2020-05-20", "2020-07-15", "2020-10-30", "2020-06"):
        density = np.exp(margin(share, text))
        # Growth finer than the noise folds onto nothing: what lies under 0 is lost from the integral.
        assert 0.6 < np.trapezoid(density, share) < 1.05, text


def test_the_margin_expected_of_the_season_is_the_likeliest() -> None:
    assert margin(1.0, "2020-03-10") > margin(0.2, "2020-03-10") + 2
    assert margin(0.35, "2020-08-01") > margin(1.0, "2020-08-01") + 1
    assert margin(0.9, "2020-11-10") > margin(0.1, "2020-11-10") + 2


def test_in_may_a_fresh_margin_and_a_whole_one_are_both_likelier_than_a_half_one() -> None:
    fresh, half, whole = margin([0.05, 0.4, 1.0], "2020-05-25", 3)
    assert fresh > half + 1
    assert whole > half + 1


def test_no_margin_is_impossible() -> None:
    # the season is a weak prior: good and poor years, worn margins and wrong dates exist
    share = np.linspace(0, 10, 200)
    for text in ("2020-01-20", "2020-05-20", "2020-09-01"):
        assert (margin(share, text) > np.log(0.01)).all()


def test_a_margin_not_measured_tells_nothing_of_formation() -> None:
    formed_density, due_density = margin_log_densities([np.nan, np.nan], [1, 7], 140, NORTH)
    assert (formed_density == due_density).all()


def test_a_season_whose_dates_do_not_follow_each_other_is_refused(tmp_path: Path) -> None:
    wrong = tmp_path / "late.toml"
    wrong.write_text('[season]\nforming_begins = "08-15"\n', encoding="utf-8")
    with pytest.raises(SettingsError, match="forming_begins, forming_ends and growth_ends must follow"):
        read_settings([wrong])


# ------------------------------------------------------------------------------------------------ distributions
def test_closed_forms_are_those_of_a_reference_library() -> None:
    """scipy.stats: beta with shapes 2 and 3, standard normal."""
    passed = np.linspace(0, 1, 101)
    assert formed_within(passed) == pytest.approx(stats.beta(2, 3).cdf(passed), abs=1e-12)
    deviation = np.linspace(-6, 6, 61).reshape(1, -1)
    assert normal(deviation) == pytest.approx(stats.norm.cdf(deviation), abs=1e-12)
