"""Settings: a wrong key or value is told so that it can be mended; what a file says holds where it says so."""

from __future__ import annotations

import os
import tomllib

import pytest

from pipeline.errors import SettingsError
from pipeline.settings.files import SHIPPED, read_settings


@pytest.fixture
def told(tmp_path):
    """What is told of a settings file `mine.toml` with the given text."""

    def lines(text: str) -> list[str]:
        file = tmp_path / "mine.toml"
        file.write_text(text, encoding="utf-8")
        with pytest.raises(SettingsError) as refused:
            read_settings([file])
        return str(refused.value).splitlines()

    return lines


@pytest.fixture
def read(tmp_path):
    """The settings with files of the given texts on top, in order."""

    def settings(*texts: str):
        files = [tmp_path / f"{number}.toml" for number in range(len(texts))]
        for file, text in zip(files, texts, strict=True):
            file.write_text(text, encoding="utf-8")
        return read_settings(files)

    return settings


# ------------------------------------------------------------------------------------------------ faults
@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 20_000 + "]" * 20_000, ".".join("a" * 20_000) + " = 1", "[" + ".".join("a" * 9) + "]\nb = 1"],
)
def test_groups_without_end_are_one_line(told, text):
    (line,) = told(text)
    assert line.startswith("mine.toml: groups of settings within groups")


def test_a_pipe_in_the_place_of_a_settings_file_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "mine.toml")
    with pytest.raises(SettingsError, match=r"mine\.toml: cannot be read"):
        read_settings([tmp_path / "mine.toml"])


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[scan]\nleast_dpi = -1", "mine.toml: scan.least_dpi: must be more than 0, found -1"),
        ("[scan]\nleast_dpi = nan", "mine.toml: scan.least_dpi: must be a number, found NaN"),
        (
            "[review]\nleast_confidence = 80",
            "mine.toml: review.least_confidence: must be 1 or less, found 80",
        ),
        ("[growth]\nmost_annuli = 90", "mine.toml: growth.most_annuli: must be 60 or less, found 90"),
        (
            "[growth]\nmost_annuli = 9.5",
            "mine.toml: growth.most_annuli: must be a whole number, found 9.5",
        ),
        ('[scan]\nleast_dpi = "300"', 'mine.toml: scan.least_dpi: must be a number, found "300"'),
        ("[scan]\nleast_dpi = true", "mine.toml: scan.least_dpi: must be a number, found true"),
        (
            "[scan]\nleast_dpi = {a = 1}",
            "mine.toml: scan.least_dpi: must be a number, found a group of settings",
        ),
        ('[season]\nhemisphere = "up"', "mine.toml: season.hemisphere: must be 'north' or 'south', found \"up\""),
        (
            '[season]\nbirthday = "spring"',
            'mine.toml: season.birthday: "spring" is no day of the year; write MM-DD, as "04-15"',
        ),
        (
            '[season]\nbirthday = "02-30"',
            'mine.toml: season.birthday: "02-30" is no day of the year; write MM-DD, as "04-15"',
        ),
        (
            "[scan]\ndoubtful_dpi = [72, true]",
            "mine.toml: scan.doubtful_dpi.1: must be a number, found true",
        ),
    ],
)
def test_a_wrong_value_is_told_with_file_key_and_allowed_range(told, text, line):
    assert told(text) == [line]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[scan]\nleast_dpis = 300", "mine.toml: scan.least_dpis: no such setting; did you mean least_dpi?"),
        ("[scans]\nleast_dpi = 300", "mine.toml: scans: no such setting; did you mean scan?"),
        ("least_dpi = 300", "mine.toml: least_dpi: no such setting"),
        (
            '[water."Lake Orrin"]\nforming_begin = "03-01"',
            "mine.toml: water.Lake Orrin.forming_begin: no such setting; did you mean forming_begins?",
        ),
        (
            'species = "roach"\n[growth]\ngrowth_rates = 1',
            "mine.toml: growth.growth_rates: no such setting; did you mean growth_rate?",
        ),
    ],
)
def test_an_unknown_key_is_refused_and_the_one_that_may_be_meant_is_named(told, text, line):
    assert told(text) == [line]


def test_every_fault_is_told_at_once(told):
    lines = told('[scan]\nleast_dpi = 0\nmost_dpi = "x"\n[season]\nmargin_noise = 7')
    assert [line.split(": ")[1] for line in lines] == ["scan.least_dpi", "scan.most_dpi", "season.margin_noise"]


def test_a_wrong_general_value_is_told_once_though_every_species_takes_it_over(told):
    assert len(told('[season]\nmargin_noise = 7\n[water."Lake Orrin"]\nbirthday = "02-01"')) == 1


@pytest.mark.parametrize("text", ["scan = 5", "growth = 5", "water = 5", '[water]\n"Lake Orrin" = 5'])
def test_a_value_where_a_group_belongs_is_told(told, text):
    (line,) = told(text)
    assert line.endswith("must be a group of settings, found 5")


def test_a_season_in_the_wrong_order_is_told(told):
    (line,) = told('[season]\nforming_begins = "09-15"')
    assert line.startswith("mine.toml: season: ")
    assert "must follow each other" in line


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"[scan\n", "not valid TOML"), (b"a = '\xe9'\n", "not UTF-8"), (b"species = 5\n", "must be a name in quotes")],
)
def test_a_file_that_cannot_be_read_is_told_by_name(tmp_path, content, says):
    file = tmp_path / "mine.toml"
    file.write_bytes(content)
    with pytest.raises(SettingsError, match=f"^mine.toml: .*{says}"):
        read_settings([file])


def test_a_file_saved_with_a_byte_order_mark_is_read(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_bytes(b"\xef\xbb\xbf[scan]\nleast_dpi = 150\n")
    assert read_settings([file]).scan.least_dpi == 150


def test_what_is_no_file_is_told_with_the_names_that_are_known():
    with pytest.raises(SettingsError, match=r"no such settings file.*photocopy"):
        read_settings(["nowhere.toml"])


# ------------------------------------------------------------------------------------------------ which holds
def test_the_later_file_wins_and_leaves_all_else_as_it_was(read):
    shipped = read()
    both = read("[scan]\nleast_dpi = 150\nleast_pixels = 90", "[scan]\nleast_dpi = 200")
    assert (both.scan.least_dpi, both.scan.least_pixels) == (200, 90)
    assert both.scan.most_dpi == shipped.scan.most_dpi
    assert both.review == shipped.review


def test_a_species_file_holds_for_the_rows_of_that_species_only(read):
    shipped = read()
    own = read('species = "Sauger"\n[growth]\nmost_annuli = 12')
    assert own.species_of(" SAUGER ").growth.most_annuli == 12
    assert own.species_of("walleye") == shipped.species_of("walleye")
    assert own.growth == shipped.growth


def test_a_new_species_takes_over_what_its_file_does_not_say(read):
    own = read('species = "roach"\n[growth]\nmost_annuli = 12')
    assert own.knows("Roach")
    assert own.species_of("roach").growth.growth_rate == own.growth.growth_rate
    assert own.species_of("roach").season == own.season


def test_a_species_without_a_file_goes_by_the_general_settings(read):
    settings = read()
    assert not settings.knows("roach")
    assert settings.species_of("roach").growth == settings.growth


def test_the_general_season_holds_for_species_whose_file_is_silent_on_it(read):
    own = read('[season]\nhemisphere = "south"')
    assert own.species_of("walleye").season.hemisphere == "south"


def test_a_water_differs_from_the_season_only_where_it_says_so(read):
    own = read('[water."Lake Orrin"]\nforming_begins = "05-01"')
    for species in ("walleye", "roach"):
        there = own.species_of(species).season_of("Lake Orrin")
        assert there.forming_begins == "05-01"
        assert there.model_copy(update={"forming_begins": own.season.forming_begins}) == own.season
        assert own.species_of(species).season_of("Birch Narrows") == own.season


def test_a_species_file_cannot_set_what_does_not_differ_by_species(told):
    (line,) = told('species = "roach"\n[scan]\nleast_dpi = 150')
    assert line == "mine.toml: scan: does not differ by species; growth, season, water, population may"


def test_photocopy_is_found_by_its_bare_name_and_differs_only_where_its_file_says_so():
    shipped, photocopy = read_settings().model_dump(), read_settings(["photocopy"]).model_dump()
    for section, keys in tomllib.loads((SHIPPED / "photocopy.toml").read_text(encoding="utf-8")).items():
        for key, value in keys.items():
            assert photocopy[section].pop(key) == value
            assert shipped[section].pop(key) != value, f"{section}.{key} is as in general.toml"
    assert photocopy == shipped


# ------------------------------------------------------------------------------------------------ digests
def test_only_what_the_pixels_depend_on_calls_for_reading_scans_again(read):
    shipped, picky, sharper = read(), read("[review]\nleast_confidence = 0.123"), read("[unwrap]\nrim_px = 2.0")
    assert picky.first_pass_digest() == shipped.first_pass_digest()
    assert picky.second_pass_digest() != shipped.second_pass_digest()
    assert sharper.first_pass_digest() != shipped.first_pass_digest()


def test_how_many_seconds_a_scan_may_take_changes_no_age(read):
    shipped, patient = read(), read("[batch]\ncpu_seconds = 600")
    assert patient.first_pass_digest() == shipped.first_pass_digest()
    assert patient.second_pass_digest() == shipped.second_pass_digest()
    assert patient.digest() != shipped.digest()
