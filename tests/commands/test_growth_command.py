"""`opercle growth` over tables of ages and over a run: files, figures, accounts and refusals."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import called

from pipeline.commands.growth import AGE_COLUMN
from pipeline.pages import growth_tables
from pipeline.tables import fish_tables
from pipeline.tables.run_fish import read_run_fish

README = (Path(__file__).parent.parent.parent / "README.md").read_text(encoding="utf-8")
HEAD = "fish,species,water,age_class,length_mm,sex,maturity,captured,weight_g"
QUICK = "[population]\ndraws = 50\n"


def walleye(n: int = 160, waters: tuple[str, ...] = ("Lake Orrin", "Birch Narrows"), seed: int = 1) -> list[str]:
    """Rows of a table: asymptote 620 mm for females of the first water, 12 % less for males, 60 mm less elsewhere."""
    random = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        k, sex = i % len(waters), "FMU"[int(random.choice(3, p=[0.48, 0.42, 0.1]))]
        age = int(min(random.geometric(0.3) + 1, 13))
        linf = (620 - 60 * k) * (0.88 if sex == "M" else 1)
        length = linf * (1 - np.exp(-0.28 * (age + 0.3))) * random.lognormal(0, 0.06)
        weight = 10 ** (-5.45 + 3.17 * np.log10(length)) * random.lognormal(0, 0.08)
        mature = "mature" if random.random() < 1 / (1 + np.exp(-2 * (age - 3.5))) else "immature"
        rows.append(f"F{i},Walleye,{waters[k]},{age},{length:.0f},{sex},{mature},2024-09-15,{weight:.1f}")
    return rows


@pytest.fixture
def table(tmp_path):
    def written(rows: list[str], name: str = "ages.csv", head: str = HEAD) -> Path:
        path = tmp_path / name
        path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        return path

    return written


@pytest.fixture
def quick(tmp_path):
    path = tmp_path / "quick.toml"
    path.write_text(QUICK, encoding="utf-8")
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def figures(folder: Path) -> dict:
    return json.loads((folder / "growth.json").read_text(encoding="utf-8"))


def run_of(tmp_path: Path, n: int = 60) -> Path:
    """The tables of a run, as `opercle age` writes them, of walleye that the machine aged."""
    random = np.random.default_rng(3)
    run = tmp_path / "run"
    run.mkdir()
    fish, ages, annuli, probabilities = [], [], [], []
    for i in range(n):
        age, caught = int(random.integers(3, 11)), int(random.integers(2018, 2024))
        marks = np.cumsum(np.exp(-0.2 * np.arange(age) + random.normal(0, 0.1, age)))
        axis = marks[-1] + 0.5 * np.exp(-0.2 * age)
        length = 95 * axis
        name = f"W{i}"
        fish.append(
            f"{name},walleye,Lake Orrin,{caught}-09-10,{length:.0f},F,mature,{age},0.9,1,machine,false,,{age},{name},"
        )
        ages.append(f"{name},{axis * 5:.3f}")
        annuli += [f"{name},{m / axis:.4f},true" for m in marks] + [f"{name},0.0100,false"]
        probabilities += [f"{name},{age},0.9", f"{name},{age - 1},0.1"]
    columns = (
        "fish,species,water,captured,length_mm,sex,maturity,age_class,age_class_probability,bones,counted_by,review,"
        "reasons,annuli,specimen,weight_g"
    )
    for file, head, lines in (
        ("fish.csv", columns, fish),
        ("ages.csv", "specimen,radius_mm", ages),
        ("annuli.csv", "specimen,fraction,counted", annuli),
        ("age_probabilities.csv", "specimen,age_class,probability", probabilities),
    ):
        (run / file).write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    (run / "run.json").write_text("{}", encoding="utf-8")
    return run


# ------------------------------------------------------------------------------------------------ what comes out
def test_two_waters_and_sexes_give_every_file_and_group(table, quick, tmp_path):
    out = tmp_path / "out"
    status, printed, _ = called("growth", table(walleye(320)), "--out", out, "--settings", quick)
    assert status == 0
    found = figures(out)
    assert {(g["water"], g["sex"]) for g in found["groups"]} == {
        (w, s) for w in ("Lake Orrin", "Birch Narrows") for s in ("F", "M", "U", "all")
    }
    for g in found["groups"]:
        assert set(g["von_bertalanffy"] or {"linf", "k", "t0", "intervals"}) >= {"linf", "k", "t0", "intervals"}
        assert g["notes"]
    orrin = next(g for g in found["groups"] if (g["water"], g["sex"]) == ("Lake Orrin", "F"))
    low, high = orrin["von_bertalanffy"]["intervals"]["linf"]
    assert low < 620 < high
    assert (orrin["length_weight"]["b"], orrin["maturity"]["a50"]) == (
        pytest.approx(3.17, abs=0.1),
        pytest.approx(3.5, abs=0.6),
    )
    assert found["species"][0]["waters"]["p"] < 0.05
    page = (out / "growth.html").read_text(encoding="utf-8")
    assert "licensed fisheries biologist" in page
    assert "Lake Orrin" in page
    assert "fish 160 = with an age 160 + without 0" in printed


def test_sexes_and_unknown_ones_add_up_to_all_fish(table, quick, tmp_path):
    rows = walleye(90, ("Lake Orrin",))
    rows[0] = rows[0].replace(f",{rows[0].split(',')[5]},", ",,", 1)
    _, printed, _ = called("growth", table(rows), "--out", tmp_path / "out", "--settings", quick)
    (line,) = [x for x in printed.splitlines() if "= F" in x]
    whole, *parts = [int(x) for x in re.findall(r"\d+", line.split(";")[1])]
    assert whole == sum(parts) == 90


def test_the_same_fish_give_the_same_files_to_the_last_byte_in_whatever_order(table, quick, tmp_path):
    rows = walleye(120)
    called("growth", table(rows), "--out", tmp_path / "a", "--settings", quick)
    called("growth", table(rows[::-1]), "--out", tmp_path / "b", "--settings", quick)
    for one in (tmp_path / "a").iterdir():
        assert one.read_bytes() == (tmp_path / "b" / one.name).read_bytes(), one.name


def test_measured_fish_get_ages_and_nobody_is_dropped(table, quick, tmp_path):
    lengths = table(
        [
            "1,walleye,Lake Orrin,300,net", "2,walleye,Lake Orrin,305,net", "3,walleye,Lake Orrin,1900,",
            "4,Walleye,Elsewhere,300,",
        ],
        "lengths.csv",
        "id,species,water,length_mm,gear",
    )  # fmt: skip
    out = tmp_path / "out"
    status, _, _ = called("growth", table(walleye()), "--lengths", lengths, "--out", out, "--settings", quick)
    assert status == 0
    given = rows_of(out / "lengths_with_ages.csv")
    assert [r["id"] for r in given] == ["1", "2", "3", "4"]
    assert [bool(r[AGE_COLUMN]) for r in given] == [True, True, False, False]
    assert given[0]["gear"] == "net"
    summary = rows_of(out / "ages_of_lengths.csv")
    orrin = [
        r for r in summary if r["water"] == "Lake Orrin" and r["of"].startswith("measured") and "aged" not in r["of"]
    ]
    assert sum(float(r["fish"]) for r in orrin) == pytest.approx(3, abs=0.01)
    assert [r["fish"] for r in summary if r["water"] == "Elsewhere"] == ["1"]


def test_a_run_gives_lengths_from_its_marks_years_and_both_kinds_of_ages(tmp_path, quick):
    run = run_of(tmp_path)
    status, printed, error = called("growth", run, "--settings", quick)
    assert (status, error) == (0, "")
    out = run / "growth"
    assert printed.splitlines()[-1] == str(out / "growth.html")
    assert {r["from"] for r in rows_of(out / "lengths_at_age.csv")} == {"capture", "marks"}
    assert len(rows_of(out / "year_effects.csv")) > 5
    every = next(g for g in figures(out)["groups"] if g["sex"] == "all")
    assert [e["ages"] for e in every["ageing_error"]] == ["by each fish's probabilities", "as given"]
    assert any("60 of 60 ages are the machine's" in note for note in every["notes"])
    assert rows_of(out / "back_calculated.csv")[0]["body_proportional_linear_mm"]


def test_an_audit_beside_the_run_adds_its_matrix(tmp_path, quick):
    run = run_of(tmp_path)
    counts = range(2, 12)
    head = "reference_age,n," + ",".join(f"count_{c}" for c in counts)
    lines = [
        f"{age},9," + ",".join("0.8" if c == age else "0.2" if c == age - 1 else "0" for c in counts)
        for age in range(3, 12)
    ]
    (run / "audit").mkdir()
    (run / "audit" / "ageing_error_matrix.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    called("growth", run, "--settings", quick)
    every = next(g for g in figures(run / "growth")["groups"] if g["sex"] == "all")
    assert every["ageing_error"][-1]["ages"] == "by the audit's matrix"


def test_a_run_and_a_table_go_together_and_their_accounts_add_up(tmp_path, table, quick):
    status, printed, _ = called("growth", run_of(tmp_path), table(walleye(40)), "--settings", quick)
    assert status == 0
    assert "run: 60 fish" in printed
    assert "ages.csv: 40 fish" in printed
    assert "Lake Orrin: fish 80 = with an age 80" in printed


def test_a_water_in_several_spellings_is_one_water_in_all_tables(table, quick, tmp_path):
    rows = [row.replace("Lake Orrin", "lake_orrin") if n % 4 else row for n, row in enumerate(walleye())]
    lengths = table(["Walleye,LAKE ORRIN,300"], "lengths.csv", "species,water,length_mm")
    out = tmp_path / "out"
    assert called("growth", table(rows), "--lengths", lengths, "--out", out, "--settings", quick)[0] == 0
    assert {g["water"] for g in figures(out)["groups"]} == {"Birch Narrows", "Lake Orrin"}
    assert {r["water"] for r in rows_of(out / "ages_of_lengths.csv")} == {"Lake Orrin"}


def test_a_person_who_counted_otherwise_did_not_mean_the_machines_marks(tmp_path):
    run = run_of(tmp_path)
    path = run / "fish.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    cells[7], cells[10], cells[13] = "12", "Ann", "12"
    path.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    first, second, *_ = read_run_fish(run)
    assert (first.age_class, first.age_probabilities, first.marks) == (12, (), None)
    assert second.marks is not None
    assert len(second.marks.fractions) == second.age_class


# ------------------------------------------------------------------------------------------------ refusals
def test_the_same_table_twice_names_the_fish_that_stand_there_twice(table, tmp_path):
    ages = table(walleye(40))
    status, _, error = called("growth", ages, ages, "--out", tmp_path / "out")
    assert status == 1
    assert "F0 (in ages.csv and in ages.csv)" in error
    assert not (tmp_path / "out").exists()


def test_fish_of_one_name_in_two_waters_are_two_fish(table, quick, tmp_path):
    a = table(walleye(40, ("Lake Orrin",)), "a.csv")
    b = table(walleye(40, ("Birch Narrows",), seed=2), "b.csv")
    assert called("growth", a, b, "--out", tmp_path / "out", "--settings", quick)[0] == 0


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("X,walleye,Lake Orrin,-2,400,F,mature,,", "row 42: the age_class -2; write a whole number"),
        ("X,walleye,Lake Orrin,3,40000,F,mature,,", "row 42: the length_mm 40000; it must lie between"),
        ("X,,Lake Orrin,3,400,F,mature,,", "row 42: no species"),
        ("X,walleye,Lake Orrin,3,400,F,mature,,400000", "row 42: the weight_g 400000"),
        ("F3,walleye,Lake Orrin,3,400,F,mature,,", "row 42: the fish F3 is also in row 5"),
    ],
)
def test_a_wrong_row_is_named_with_its_cure_and_nothing_is_written(table, tmp_path, row, words):
    status, _, error = called("growth", table([*walleye(40), row]), "--out", tmp_path / "out")
    assert status == 1
    assert words in error
    assert not (tmp_path / "out").exists()


def test_lengths_in_inches_are_met_with_a_question(table, tmp_path):
    rows = [f"F{i},walleye,Lake Orrin,{2 + i % 6},{12 + i % 9},F,mature,,".replace(",mature", "") for i in range(40)]
    head = "fish,species,water,age_class,length_mm,sex,captured,weight_g"
    status, _, error = called("growth", table(rows, head=head), "--out", tmp_path / "out")
    assert status == 1
    assert "inches or centimetres" in error


def test_fork_lengths_do_not_enter_growth(table, quick, tmp_path):
    rows = [f"{r},{'fork' if i % 2 else 'total'}" for i, r in enumerate(walleye(80, ("Lake Orrin",)))]
    out = tmp_path / "out"
    _, printed, _ = called("growth", table(rows, head=f"{HEAD},length_type"), "--out", out, "--settings", quick)
    assert "40 of them without a total length" in printed
    every = next(g for g in figures(out)["groups"] if g["sex"] == "all")
    assert (every["n"], every["straight_line"]["n"]) == (80, 40)


def test_a_few_fish_get_their_lengths_and_a_sentence_but_no_group(table, quick, tmp_path):
    out = tmp_path / "out"
    status, printed, _ = called("growth", table(walleye(6, ("Lake Orrin",))), "--out", out, "--settings", quick)
    assert status == 0
    assert figures(out)["groups"] == []
    assert "annuli and keys are in the tables): walleye in Lake Orrin 6" in printed
    assert printed.count("Lake Orrin") == 2, "in the accounts and among those with too few, and no more"
    assert rows_of(out / "lengths_at_age.csv")


def test_a_folder_with_something_else_in_it_is_left_alone(table, tmp_path):
    other = tmp_path / "mine"
    other.mkdir()
    (other / "notes.txt").write_text("keep", encoding="utf-8")
    status, _, error = called("growth", table(walleye(40)), "--out", other)
    assert status == 1
    assert "holds files but no growth study" in error
    assert [p.name for p in other.iterdir()] == ["notes.txt"]


def test_a_run_of_an_older_version_without_fish_is_told_what_to_do(tmp_path):
    run = run_of(tmp_path)
    (run / "fish.csv").unlink()
    status, _, error = called("growth", run)
    assert status == 1
    assert "holds no fish.csv" in error


def test_fish_without_any_age_are_refused(table, tmp_path):
    rows = [re.sub(r"^((?:[^,]*,){3})\d+", r"\1", r) for r in walleye(20)]
    status, _, error = called("growth", table(rows), "--out", tmp_path / "out")
    assert status == 1
    assert "none of these 20 fish has an age" in error


# ------------------------------------------------------------------------------------------------ the page of the user
@pytest.mark.parametrize(
    "columns",
    [
        growth_tables.LENGTHS_AT_AGE, growth_tables.AGE_LENGTH_KEY, growth_tables.YEAR_EFFECTS, growth_tables.SUSPECTS,
        growth_tables.BACK_CALCULATED, growth_tables.DIFFERENCES, growth_tables.INCREMENTS,
        growth_tables.AGES_OF_LENGTHS,
    ],
)  # fmt: skip
def test_the_readme_tells_of_every_column_of_a_growth_study(columns):
    assert [c.name for c in columns if f"`{c.name}`" not in README] == []


def test_the_readme_tells_of_every_column_of_a_table_of_ages():
    assert [c for c in (*fish_tables.REQUIRED, *fish_tables.OPTIONAL) if f"`{c}`" not in README] == []
