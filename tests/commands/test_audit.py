"""`opercle audit` from files to files."""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from pipeline.commands.audit import audit
from pipeline.errors import OpercleError, TableError

FIXED = [
    "a",
    "b",
    "n",
    "exact",
    "within_1",
    "ape",
    "cv",
    "d",
    "both_zero",
    "mean_difference",
    "bowker",
    "evans_hoenig",
    "pooled",
    "kappa",
]
AGES = ["specimen", "scan", "bone", "fish", "species", "water", "status", "annuli", "confidence", "review", "reasons"]


def readings_file(path: Path, rows: list[tuple[str, str, object]]) -> Path:
    path.write_text("specimen,reader,annuli\n" + "".join(f"{s},{r},{n}\n" for s, r, n in rows), encoding="utf-8")
    return path


def run_folder(path: Path, counts: list[object], more: dict[str, list[object]] | None = None) -> Path:
    path.mkdir()
    (path / "run.json").write_text("{}", encoding="utf-8")
    more = more or {}
    with (path / "ages.csv").open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream, lineterminator="\n")
        out.writerow([*AGES, *more])
        for i, n in enumerate(counts):
            aged = n != ""
            out.writerow(
                [
                    f"b{i}",
                    "tray.png",
                    i + 1,
                    f"b{i}",
                    "walleye",
                    "Long Lake",
                    "aged" if aged else "unreadable",
                    n,
                    "0.9000" if aged else "",
                    "false" if aged else "true",
                    "",
                    *(v[i] for v in more.values()),
                ]
            )
    return path


@pytest.fixture
def office(tmp_path: Path) -> tuple[Path, Path]:
    """Two readers and a run of 60 bones; the machine is one short on every sixth, and bone 59 nobody can read."""
    rng = np.random.default_rng(1)
    age = rng.integers(1, 12, 60)
    rows: list[tuple[str, str, object]] = []
    for i, n in enumerate(age):
        rows += [(f"b{i}", "anna", n), (f"b{i}", "zoe", n + (i % 10 == 0))]
    rows[-1], rows[-2] = ("b59", "zoe", ""), ("b59", "anna", "")
    machine = [n - (i % 6 == 0) for i, n in enumerate(age)]
    reference = [n if i < 30 else "" for i, n in enumerate(age)]
    return (
        readings_file(tmp_path / "readings.csv", rows),
        run_folder(tmp_path / "spring", [*machine[:-1], ""], {"reference": reference}),
    )


class Page(HTMLParser):
    """Collects what the page fetches and the tags left open."""

    VOID = frozenset({"meta", "br", "img", "input", "link", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.fetched += [v for k, v in attrs if k in ("src", "srcset") or (k == "href" and not v.startswith("#"))]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.fetched += [v for k, v in attrs if k in ("src", "srcset")]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_agreement_json_holds_the_fixed_keys_for_every_pair(office):
    readings, run = office
    audit([readings], [run], None, None)
    text = (run / "audit" / "agreement.json").read_text(encoding="utf-8")
    comparisons = json.loads(text, parse_constant=pytest.fail)["comparisons"]
    assert [(c["a"], c["b"]) for c in comparisons] == [("anna", "zoe"), ("anna", "machine"), ("zoe", "machine")]
    for c in comparisons:
        assert list(c)[: len(FIXED)] == FIXED
        assert {"statistic", "df", "p"} <= set(c["bowker"])
        assert set(c["kappa"]) == {"unweighted", "linear", "quadratic"}
    with_machine = comparisons[1]
    assert with_machine["n"] == 59
    assert with_machine["exact"] == pytest.approx(49 / 59)
    assert with_machine["mean_difference"] == pytest.approx(-10 / 59)  # b minus a
    assert with_machine["pooled"] == {"statistic": 10.0, "df": 1, "p": pytest.approx(2 * 0.5**10), "exact": True}
    assert with_machine["not_aged"]["both"] == 1


def test_all_tables_and_plots_stand_beside_one_page_that_fetches_nothing(office):
    readings, run = office
    summary = audit([readings], [run], None, None)
    folder = run / "audit"
    page = Page((folder / "audit.html").read_text(encoding="utf-8"))
    assert page.fetched == []
    assert page.open == []
    for name in (
        "agreement",
        "age_bias",
        "age_by_age",
        "groups",
        "triage",
        "reliability",
        "drift",
        "ageing_error_matrix",
    ):
        rows = list(csv.reader((folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()))
        assert len(rows) > 1, name
        assert not any("nan" in cell.lower().split() for row in rows for cell in row), name
    assert (folder / "difference.svg").read_text(encoding="utf-8").startswith("<svg")
    assert "counts fewer" in summary
    assert summary.splitlines()[0].startswith("Against:")
    assert str(folder / "audit.html") in summary
    said = (folder / "audit.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "counts fewer" in said
    assert "decided by local rules and by licensed fisheries staff" in said


def test_another_audit_replaces_the_one_before(office, tmp_path):
    readings, run = office
    audit([readings], [run], None, tmp_path / "out")
    assert (tmp_path / "out" / "reliability.svg").exists()
    audit([readings], [], None, tmp_path / "out")
    assert not (tmp_path / "out" / "reliability.svg").exists()
    assert (tmp_path / "out" / "triage.csv").read_text(encoding="utf-8").count("\n") == 1


def test_the_same_tables_give_the_same_bytes(office, tmp_path):
    readings, run = office
    for name in ("one", "two"):
        audit([readings], [run], None, tmp_path / name)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_two_runs_show_drift_on_the_reference_collection(office, tmp_path):
    readings, run = office
    later = run_folder(tmp_path / "autumn", [3] * 60)
    audit([readings], [run, later], None, None)
    rows = list(csv.DictReader((later / "audit" / "drift.csv").read_text(encoding="utf-8").splitlines()))
    machine = [row for row in rows if row["reader"] == "machine"]
    assert [(row["batch"], row["verdict"]) for row in machine] == [("spring", "first"), ("autumn", "stop")]


def test_a_folder_with_other_things_in_it_is_left_alone(office, tmp_path):
    readings, run = office
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x", encoding="utf-8")
    with pytest.raises(OpercleError, match="holds files but no audit"):
        audit([readings], [run], None, tmp_path / "mine")
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize("count", ["-1", "2.5", "many"])
def test_counts_that_are_none_are_refused_with_their_row(tmp_path, count):
    readings = readings_file(tmp_path / "r.csv", [("b0", "anna", 3), ("b1", "anna", count)])
    with pytest.raises(TableError, match="row 3") as refused:
        audit([readings], [], None, tmp_path / "out")
    assert count in str(refused.value)
    assert not (tmp_path / "out").exists()


def test_before_any_reading_the_page_still_plans_the_sample(tmp_path):
    summary = audit([readings_file(tmp_path / "r.csv", [])], [], None, tmp_path / "out")
    assert "tells how many bones to read" in summary
    assert "exact agreement to within 5 points, if about 80 % agree" in (tmp_path / "out" / "audit.html").read_text(
        "utf-8"
    )


def test_a_folder_that_is_no_run_is_refused(office, tmp_path):
    readings, _ = office
    with pytest.raises(OpercleError, match=r"holds no ages\.csv"):
        audit([readings], [tmp_path], None, tmp_path / "out")


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [("b0", "anna", 3)],
        [("b0", "anna", 3), ("b0", "ben", 3)],
        [("b0", "anna", 3), ("b1", "ben", 3)],
        [("b0", "anna", ""), ("b0", "ben", "")],
        [("b0", "anna", 0), ("b0", "ben", 0), ("b1", "anna", 0), ("b1", "ben", 0)],
        [("b0", "<b>anna", 3), ("b0", "$x_2$", 4), ("b1", "<b>anna", 3), ("b1", "$x_2$", 3)],
        [("b0", "=SUM(A1)", 3), ("b0", "ben", 4), ("b0", "ben", 5)],
    ],
)
@pytest.mark.parametrize("machine", [None, [3, 4], ["", ""], []])
def test_odd_tables_end_in_words_not_in_nan(tmp_path, rows, machine):
    readings = readings_file(tmp_path / "r.csv", rows)
    runs = [] if machine is None else [run_folder(tmp_path / "run", machine)]
    summary = audit([readings], runs, None, tmp_path / "out")
    json.loads((tmp_path / "out" / "agreement.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)
    page = (tmp_path / "out" / "audit.html").read_text(encoding="utf-8")
    for text in (summary, page):
        words = text.replace(">", " ").replace("<", " ").replace("(", " ").split()
        assert not {"nan", "NaN", "None", "inf", "nan,"} & set(words)
    assert "<b>anna" not in page
    Page(page)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (",0.9000,", ",1.7000,", r"row 2: the confidence '1\.7000'"),
        (",aged,3,", ",aged,-4,", r"row \d+: the annuli '-4'"),
        ("b1,", "b0,", "row 3: the specimen appears twice"),
        (",aged,3,", ",aged,,", "status and count do not agree"),
        (",false,", ",perhaps,", "the review 'perhaps'"),
    ],
)
def test_ages_that_this_program_cannot_have_written_are_refused_with_row_and_cure(tmp_path, old, new, says):
    run = run_folder(tmp_path / "run", [3, 4, 3])
    text = (run / "ages.csv").read_text()
    assert old in text
    (run / "ages.csv").write_text(text.replace(old, new, 1))
    with pytest.raises(OpercleError, match=f"{says}.*; ages.csv was changed by hand; give the line of `opercle age`"):
        audit([readings_file(tmp_path / "r.csv", [("b0", "Ann", 3)])], [run], None, None)


def test_an_audit_writes_over_its_own_files_only(tmp_path):
    table = readings_file(tmp_path / "r.csv", [(f"b{n}", reader, n % 4) for n in range(9) for reader in ("Ann", "Bob")])
    out = tmp_path / "out"
    audit([table], [], None, out)
    (out / "drift-mine.svg").write_text("mine")
    audit([table], [], None, out)
    assert (out / "drift-mine.svg").read_text() == "mine"
    taken = tmp_path / "taken"
    taken.mkdir()
    for name in (path.name for path in out.iterdir() if path.name != "drift-mine.svg"):
        (taken / name).write_text("{}" if name == "run.json" else "mine")
    (taken / "run.json").write_text('{"made_by": "opercle"}')
    with pytest.raises(OpercleError, match="holds files but no audit"):
        audit([table], [], None, taken)
    assert (taken / "audit.html").read_text() == "mine"
    (out / "audit.html").rename(out / "kept.html")
    written = json.loads((out / "written.json").read_text())
    written["files"].remove("audit.html")
    (out / "written.json").write_text(json.dumps(written))
    (out / "audit.html").write_text("mine")
    with pytest.raises(OpercleError, match=r"audit\.html: lies where a result belongs"):
        audit([table], [], None, out)
    assert (out / "audit.html").read_text() == "mine"


def test_links_in_a_circle_are_one_line(tmp_path):
    (tmp_path / "a.csv").symlink_to(tmp_path / "b.csv")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    with pytest.raises(OpercleError, match=r"a\.csv: .*levels of symbolic links"):
        audit([tmp_path / "a.csv"], [], None, tmp_path / "out")
    table = readings_file(tmp_path / "r.csv", [("b0", "Ann", 3)])
    with pytest.raises(OpercleError, match=r"holds no ages\.csv"):
        audit([table], [tmp_path / "a.csv"], None, tmp_path / "out")
