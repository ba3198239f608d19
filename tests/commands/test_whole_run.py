"""A folder of scans in, one row a bone out: the whole command over the fixtures, and over a folder of all sorts."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from command_line import called
from drawing import draw_bone
from numpy.typing import NDArray
from PIL import Image
from reading import natural_bone
from skimage import draw

from pipeline.codes import NOTICES, REASONS, REFUSALS

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
Row = dict[str, str]

HEADERS = {
    "ages.csv": "specimen,scan,bone,fish,species,water,captured,length_mm,status,annuli,annuli_low,annuli_high,"
    "confidence,edge,age_class,year_class,first_year,review,reasons,notices,final_annuli,final_age_class,counted_by,"
    "lighting,dpi,radius_px,radius_mm,focus_x,focus_y,axis_x,axis_y",
    "annuli.csv": "specimen,number,x,y,radius_px,radius_mm,fraction,probability,counted,inferred",
    "count_probabilities.csv": "specimen,annuli,probability",
    "age_probabilities.csv": "specimen,age_class,probability",
    "refused.csv": "scan,reason,detail",
    "changes.csv": "specimen,column,old,new,cause",
    "fish.csv": "fish,species,water,captured,length_mm,sex,maturity,age_class,age_class_probability,bones,counted_by,"
    "review,reasons",
}
"""The fixed columns of each table; others may follow them."""
DECIMALS = {"confidence": 4, "probability": 4, "fraction": 4, "dpi": 2, "radius_px": 2, "radius_mm": 3, "focus_x": 2,
            "focus_y": 2, "axis_x": 2, "axis_y": 2, "x": 2, "y": 2}  # fmt: skip


def table(path: Path) -> list[Row]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def by_specimen(rows: list[Row]) -> dict[str, list[Row]]:
    out = defaultdict(list)
    for row in rows:
        out[row["specimen"]].append(row)
    return out


# ------------------------------------------------------------------------------------------------ the fixtures
@pytest.fixture(scope="module")
def fixture_runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The fixtures aged with one worker and with two."""
    place = tmp_path_factory.mktemp("fixtures")
    for workers in (1, 2):
        status, _, err = called("age", FIXTURES / "scans", "--specimens", FIXTURES / "specimens.csv",
                                "--out", place / str(workers), "--workers", workers)  # fmt: skip
        assert status == 0, err
    return place / "1", place / "2"


@pytest.fixture(scope="module")
def run(fixture_runs: tuple[Path, Path]) -> Path:
    return fixture_runs[0]


@pytest.fixture(scope="module")
def ages(run: Path) -> dict[str, Row]:
    return {row["specimen"]: row for row in table(run / "ages.csv")}


@pytest.fixture(scope="module")
def truth() -> dict[str, Row]:
    return {row["specimen"]: row for row in table(FIXTURES / "truth.csv")}


def difficult(row: Row) -> bool:
    """The fixtures keep their difficult bones in a folder of that name."""
    return row["scan"].startswith("difficult/")


def test_every_bone_that_is_not_difficult_has_its_true_count(ages: dict[str, Row], truth: dict[str, Row]) -> None:
    wrong = {s: (row["annuli"], truth[s]["annuli"]) for s, row in ages.items() if row["annuli"] != truth[s]["annuli"]}
    assert all(difficult(ages[s]) for s in wrong), wrong
    assert all(ages[s]["review"] == "true" for s in wrong)
    assert sum(difficult(row) for row in ages.values()) == 2


def test_age_classes_are_those_of_the_calendar(ages: dict[str, Row], truth: dict[str, Row]) -> None:
    easy = [s for s, row in ages.items() if not difficult(row)]
    right = [s for s in easy if ages[s]["age_class"] == truth[s]["age_class"]]
    assert len(right) >= len(easy) - 1  # a margin in spring may leave one open
    for row in ages.values():
        assert int(row["year_class"]) == int(row["captured"][:4]) - int(row["age_class"])


def test_every_focus_is_that_of_its_own_bone(ages: dict[str, Row], truth: dict[str, Row]) -> None:
    # On the tray as well: a swapped bone would have its focus elsewhere.
    off = []
    for specimen, row in ages.items():
        found, true, tip = (
            np.array([float(r[f"{at}_x"]), float(r[f"{at}_y"])])
            for r, at in ((row, "focus"), (truth[specimen], "focus"), (truth[specimen], "axis"))
        )
        off.append(float(np.hypot(*(found - true)) / np.hypot(*(tip - true))))
    assert np.median(off) < 0.08
    assert max(off) < 0.25


def test_every_lighting_is_found(ages: dict[str, Row], truth: dict[str, Row]) -> None:
    kinds = {"dark": "reflected", "white": "transmitted", "transmitted": "transmitted"}
    assert {s: row["lighting"] for s, row in ages.items()} == {s: kinds[truth[s]["lighting"]] for s in ages}


def test_counted_marks_lie_where_winters_were_drawn(run: Path, ages: dict[str, Row], truth: dict[str, Row]) -> None:
    lines = defaultdict(list)
    for row in table(FIXTURES / "truth_arcs.csv"):
        if row["kind"] == "annulus":
            lines[row["specimen"], row["number"]].append((float(row["deg"]), float(row["radius_px"])))
    off = []
    for row in table(run / "annuli.csv"):
        bone = truth[row["specimen"]]
        if row["counted"] == "false" or difficult(ages[row["specimen"]]):
            continue
        focus, tip = (complex(float(bone[f"{at}_x"]), float(bone[f"{at}_y"])) for at in ("focus", "axis"))
        here = complex(float(row["x"]), float(row["y"])) - focus
        line = np.array(lines[row["specimen"], row["number"]])
        true = np.interp(np.angle(here / (tip - focus), deg=True), *line.T)
        off.append(abs(abs(here) - true) / abs(tip - focus))
    assert len(off) == sum(int(row["annuli"]) for row in ages.values() if not difficult(row))
    assert np.median(off) < 0.01
    assert max(off) < 0.05


def test_workers_change_no_byte_of_any_table(fixture_runs: tuple[Path, Path]) -> None:
    one, two = fixture_runs
    assert {p.name for p in one.glob("*.csv")} == {p.name for p in two.glob("*.csv")} == set(HEADERS)
    for name in HEADERS:
        assert (one / name).read_bytes() == (two / name).read_bytes(), name


def test_every_file_and_column_is_there_in_its_order(run: Path, ages: dict[str, Row]) -> None:
    for name, header in HEADERS.items():
        content = (run / name).read_bytes()
        assert not content.startswith(b"\xef\xbb\xbf")
        assert b"\r" not in content
        first = content.decode("utf-8").splitlines()[0]
        assert f"{first},".startswith(f"{header},")
    for folder, count in (("crops", len(ages)), ("overlays", len(ages)), ("trays", 1)):
        assert len(list((run / folder).iterdir())) == count
    scans = [p for p in (FIXTURES / "scans").rglob("*") if p.is_file()]
    lines = [json.loads(line) for line in (run / "log.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {line["scan"] for line in lines if "scan" in line} == {
        p.relative_to(FIXTURES / "scans").as_posix() for p in scans
    }
    assert (run / "run.sqlite").stat().st_size > 0
    assert {"versions", "settings", "counts"} <= set(json.loads((run / "run.json").read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", HEADERS)
def test_numbers_and_flags_are_written_as_promised(run: Path, name: str) -> None:
    for row in table(run / name):
        for column, value in row.items():
            if column in DECIMALS and value:
                assert re.fullmatch(rf"-?\d+\.\d{{{DECIMALS[column]}}}", value), (column, value)
            elif column in ("annuli", "annuli_low", "annuli_high", "age_class", "year_class", "number", "bone"):
                assert re.fullmatch(r"\d*", value), (column, value)
            elif column in ("review", "counted", "inferred"):
                assert value in ("true", "false"), (column, value)


def test_the_figures_of_a_bone_agree_with_each_other(run: Path, ages: dict[str, Row]) -> None:
    counts = by_specimen(table(run / "count_probabilities.csv"))
    marks = by_specimen(table(run / "annuli.csv"))
    for specimen, row in ages.items():
        share = {int(r["annuli"]): float(r["probability"]) for r in counts[specimen]}
        annuli, low, high = (int(row[c]) for c in ("annuli", "annuli_low", "annuli_high"))
        assert share[annuli] == max(share.values()) == float(row["confidence"])
        assert low <= annuli <= high
        assert sum(p for n, p in share.items() if low <= n <= high) > 0.9 - 1e-3
        assert sum(share.values()) == pytest.approx(1, abs=1e-3)
        counted = [m for m in marks[specimen] if m["counted"] == "true"]
        assert [int(m["number"]) for m in counted] == list(range(1, annuli + 1))
        assert all(m["number"] == "" for m in marks[specimen] if m["counted"] == "false")
        radii = [float(m["radius_px"]) for m in marks[specimen]]
        assert radii == sorted(radii)
        focus = np.array([float(row["focus_x"]), float(row["focus_y"])])
        for m in marks[specimen]:
            assert np.hypot(*(np.array([float(m["x"]), float(m["y"])]) - focus)) == pytest.approx(
                float(m["radius_px"]), abs=0.05
            )
            assert float(m["radius_mm"]) == pytest.approx(float(m["radius_px"]) / float(row["dpi"]) * 25.4, abs=2e-3)
        assert (row["final_annuli"], row["final_age_class"], row["counted_by"]) == (
            row["annuli"], row["age_class"], "machine",
        )  # fmt: skip
        assert (row["review"] == "true") == bool(row["reasons"])


def test_every_code_is_registered(run: Path) -> None:
    for row in table(run / "ages.csv"):
        assert set(filter(None, row["reasons"].split(";"))) <= set(REASONS)
        assert set(filter(None, row["notices"].split(";"))) <= set(NOTICES)


# ------------------------------------------------------------------------------------------------ a folder of all sorts
Picture = NDArray[np.uint8]
BONE = natural_bone(4, "notched", angle_deg=110.0)


def saved(picture: Image.Image, path: Path, **more: Any) -> None:
    picture.save(path, dpi=(300, 300), **more)


def forms(folder: Path) -> dict[str, int]:
    """One bone in every form that a scanner writes; name to the annuli to be counted."""
    grey = Image.fromarray(np.asarray(BONE.picture, np.uint8))
    colour = Image.merge("RGB", [grey, grey, grey])
    alpha = Image.merge("RGBA", [grey, grey, grey, Image.new("L", grey.size, 255)])
    exif = Image.Exif()
    exif[0x0112] = 6  # the picture is to be turned by a quarter
    saved(grey, folder / "grey.png")
    saved(colour, folder / "colour.jpg", quality=95)
    saved(alpha, folder / "alpha.png")
    saved(grey.quantize(256), folder / "palette.png")
    saved(colour, folder / "lzw.tif", compression="tiff_lzw")
    saved(grey, folder / "deflate.tif", compression="tiff_adobe_deflate")
    saved(grey, folder / "turned.jpg", quality=95, exif=exif)
    deep = np.asarray(natural_bone(4, "notched", angle_deg=110.0, bits=16).picture)
    tifffile.imwrite(folder / "sixteen.tif", deep, resolution=(300, 300), resolutionunit="INCH")
    tifffile.imwrite(folder / "sixteen_rgb.tif", np.stack([deep] * 3, axis=-1), photometric="rgb")  # no resolution
    return dict.fromkeys(
        ("grey.png", "colour.jpg", "alpha.png", "palette.png", "lzw.tif", "deflate.tif", "turned.jpg", "sixteen.tif",
         "sixteen_rgb.tif"), 4)  # fmt: skip


def broken(folder: Path) -> dict[str, set[str]]:
    """Files that cannot be used; name to the reasons that would be right."""
    good = (folder / "grey.png").read_bytes()
    (folder / "half.png").write_bytes(good[: len(good) // 2])
    (folder / "empty.tif").write_bytes(b"")
    (folder / "letter.jpg").write_bytes(b"Dear Sir, the bones are in the post.")
    Image.fromarray(np.asarray(BONE.picture, np.uint8)).convert("CMYK").save(folder / "print.jpg")
    tifffile.imwrite(folder / "pages.tif", np.stack([BONE.picture] * 2), photometric="minisblack")
    Image.new("L", (300, 200), 12).save(folder / "lid.png")
    return {
        "half.png": {"truncated", "corrupt"},
        "empty.tif": {"empty-file"},
        "letter.jpg": {"not-an-image"},
        "print.jpg": {"colour-mode"},
        "pages.tif": {"several-pages"},
        "lid.png": {"blank"},
    }


def bed() -> Picture:
    return np.asarray(np.clip(np.random.default_rng(2).normal(14, 1.5, (420, 560)), 0, 255), np.uint8)


def leaf() -> Picture:
    picture, along = bed(), np.linspace(0, np.pi, 90)
    half = 90 * np.sin(along) ** 1.3
    x = 280 - 210 * np.cos(along)
    picture[draw.polygon(np.concatenate([210 - half, (210 + half)[::-1]]), np.concatenate([x, x[::-1]]))] = 150
    for at in range(110, 450, 30):  # veins
        for side in (-1, 1):
            rows, columns, _ = draw.line_aa(210, at, 210 + side * 45, min(at + 50, 480))
            inside = picture[rows, columns] > 100
            picture[rows[inside], columns[inside]] = 115
    return picture


def coin() -> Picture:
    picture = bed()
    for radius, shade in ((150, 190), (142, 140), (136, 180), (100, 150), (95, 175), (40, 130)):
        picture[draw.disk((210, 280), radius)] = shade
    return picture


def scale() -> Picture:
    """A fish scale: rings close together about a focus in its middle, with four wider ones."""
    picture = bed()
    for size in np.linspace(1.0, 0.06, 48):
        winter = np.abs(size - np.array([0.3, 0.52, 0.7, 0.86])).min() < 0.02
        picture[draw.ellipse(210, 280, 130 * size, 165 * size)] = 95 if winter else 150 + 25 * (round(size * 51) % 2)
    return picture


def text() -> Picture:
    picture = np.full((420, 560), 14, np.uint8)
    for row in range(60, 360, 60):  # words of upright strokes and bowls
        for column in range(50, 500, 26):
            if (row * 7 + column) % 5:
                picture[row : row + 34, column : column + 5] = 200
                rr, cc = draw.circle_perimeter(row + 24, column + 9, 9)
                for wide in range(3):
                    picture[rr, np.minimum(cc + wide, 559)] = 200
    return picture


NO_BONES: dict[str, Callable[[], Picture]] = {"leaf.png": leaf, "coin.png": coin, "scale.png": scale, "text.png": text}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, int], dict[str, set[str]], str, str]:
    """One call over good scans, broken files and things that are no bones, with a table that promises a bone on each
    file but the last things."""
    place = tmp_path_factory.mktemp("night")
    folder = place / "scans"
    folder.mkdir()
    good, bad = forms(folder), broken(folder)
    cut = BONE.picture[: round(BONE.tip[1] * 0.85)]
    saved(Image.fromarray(np.asarray(cut, np.uint8)), folder / "cut.png")
    for name, thing in NO_BONES.items():
        saved(Image.fromarray(thing()), folder / name)
    rows = "".join(f"S-{name},{name},walleye,2020-09-15,Heron\n" for name in (*good, *bad, "cut.png"))
    (place / "specimens.csv").write_text(f"specimen,scan,species,captured,boat\n{rows}S-gone,gone.tif,walleye,,\n")
    status, out, err = called("age", folder, "--specimens", place / "specimens.csv", "--out", place / "run",
                              "--workers", 2)  # fmt: skip
    assert status == 0, err
    return place / "run", good, bad, out, err


Night = tuple[Path, dict[str, int], dict[str, set[str]], str, str]


def test_the_form_of_a_scan_does_not_change_the_count(night: Night) -> None:
    run, good, *_ = night
    rows = {r["scan"]: r for r in table(run / "ages.csv")}
    assert {name: rows[name]["annuli"] for name in good} == {name: str(n) for name, n in good.items()}
    assert len({rows[name]["radius_px"].split(".")[0] for name in good}) <= 2  # compressed in another way: a pixel
    assert {rows[name]["dpi"] for name in good if name != "sixteen_rgb.tif"} == {"300.00"}
    blank = rows["sixteen_rgb.tif"]
    assert (blank["dpi"], blank["radius_mm"]) == ("", "")
    assert "no-resolution" in blank["notices"].split(";")


def test_the_tables_own_columns_follow_the_fixed_ones(night: Night) -> None:
    first, *rows = (night[0] / "ages.csv").read_text(encoding="utf-8").splitlines()
    assert first.startswith(f"{HEADERS['ages.csv']},")
    assert first.endswith(",boat")
    assert sum(row.endswith(",Heron") for row in rows) == len(night[1]) + len(night[2]) + 1


def test_broken_files_are_refused_with_their_reason_and_their_bones_are_unreadable(night: Night) -> None:
    run, _, bad, *_ = night
    refused = {r["scan"]: r["reason"] for r in table(run / "refused.csv")}
    ages = {r["scan"]: r for r in table(run / "ages.csv")}
    for name, reasons in bad.items():
        assert refused[name] in reasons, name
        row = ages[name]
        assert (row["status"], row["annuli"], row["confidence"], row["review"]) == ("unreadable", "", "", "true")
        assert "scan-refused" in row["reasons"].split(";")
    assert set(refused.values()) <= set(REFUSALS)
    assert set(refused) <= {*bad, *NO_BONES}


def test_a_bone_over_the_edge_is_aged_and_told(night: Night) -> None:
    (row,) = [r for r in table(night[0] / "ages.csv") if r["scan"] == "cut.png"]
    assert row["status"] == "aged"
    assert "cut-off" in row["reasons"].split(";")


@pytest.mark.parametrize("name", NO_BONES)
def test_what_is_no_bone_gets_no_age_that_nobody_looks_at(night: Night, name: str) -> None:
    rows = [r for r in table(night[0] / "ages.csv") if r["scan"] == name]
    assert all(r["review"] == "true" for r in rows)


def test_nothing_is_lost_and_nothing_looks_like_a_crash(night: Night) -> None:
    run, _, _, out, err = night
    assert "Traceback" not in out + err
    rows, refused = table(run / "ages.csv"), table(run / "refused.csv")
    scans, bones = (re.search(p, out) for p in (r"scans (\d+) = read (\d+) \+ refused (\d+)",
                                                r"bones (\d+) = aged (\d+) \+ unreadable (\d+)"))  # fmt: skip
    assert scans
    assert bones
    total, read, lost = map(int, scans.groups())
    assert (total, lost) == (read + lost, len(refused))
    aged = sum(r["status"] == "aged" for r in rows)
    assert tuple(map(int, bones.groups())) == (len(rows), aged, len(rows) - aged)
    assert "S-gone" in err  # its scan is not among those given: listed, and no row
    assert all(r["specimen"] != "S-gone" for r in rows)
    details = " ".join(r["detail"] for r in refused)
    assert str(run.parent) not in details


# ------------------------------------------------------------------------------------------------ tables that are wrong
@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("specimen,species\nB1,walleye\n", ["no column scan"]),
        (
            "specimen,scan,captured,length_mm\nB1,a.png,5/3/2021,300\nB1,a.png,2021-05-03,long\n=B2,a.png,2021-13,\n",
            ["row 2", "2021-03-05 or 2021-05-03", "row 3", "write a number", "row 4", "formula", "no month 13"],
        ),
        ("specimen,scan,bone\nB1,a.png,1\nB1,a.png,2\nB2,a.png,1\n", ["row 3", "row 4", "column bone"]),
        ("", ["empty"]),
    ],
)
def test_a_wrong_table_ends_the_call_before_anything_is_written(tmp_path: Path, content: str, says: list[str]) -> None:
    scans = tmp_path / "scans"
    scans.mkdir()
    saved(Image.fromarray(np.asarray(draw_bone(1, dpi=150).picture, np.uint8)), scans / "a.png")
    (tmp_path / "specimens.csv").write_text(content)
    before = sorted(tmp_path.rglob("*"))
    status, out, err = called("age", scans, "--specimens", tmp_path / "specimens.csv", "--out", tmp_path / "run")
    assert (status, out) == (1, "")
    assert "Traceback" not in err
    for words in says:
        assert words in err
    assert sorted(tmp_path.rglob("*")) == before
