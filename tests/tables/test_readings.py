"""What a table of readings may say."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import TableError
from pipeline.records import Reading
from pipeline.tables.readings import read_readings


def write(folder: Path, text: str, name: str = "readings.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_blank_count_is_a_bone_that_could_not_be_aged(tmp_path: Path) -> None:
    path = write(tmp_path, "specimen,reader,annuli\nB1,ann,3\nB2,ann,\nB3,ann,0\nB4,ann,7.0\n")
    assert [reading.annuli for reading in read_readings([path])] == [3, None, 0, 7]


def test_everything_a_reader_says_is_kept(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "specimen,reader,annuli,age_class,edge,readability,seconds,read_on,note,desk\n"
        "B1,ann,3,4,wide,good,12.5,2024-02-03T10:11:12,'=clear,2\n",
    )
    assert read_readings([path]) == (
        Reading(
            specimen="B1",
            reader="ann",
            annuli=3,
            age_class=4,
            edge="wide",
            readability="good",
            seconds=12.5,
            read_on="2024-02-03T10:11:12",
            note="=clear",
        ),
    )


def test_repeat_readings_stay_in_the_order_of_tables_and_rows(tmp_path: Path) -> None:
    first = write(tmp_path, "specimen,reader,annuli\nB1,ann,3\nB1,ann,4\nB1,bo,3\n", "one.csv")
    second = write(tmp_path, "reader,annuli,specimen\nann,5,B1\n", "two.csv")
    assert [(r.reader, r.annuli) for r in read_readings([first, second])] == [
        ("ann", 3),
        ("ann", 4),
        ("bo", 3),
        ("ann", 5),
    ]


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("B1,ann,-1", "whole number from 0"),
        ("B1,ann,2.5", "whole number from 0"),
        ("B1,ann,?", "leave it blank"),
        ("B1,ann,5+", "whole number"),
        ("B1,ann,100", "whole number"),
        ("B1,,3", "no reader"),
        (",ann,3", "no specimen"),
        ("B1,machine,3", "stands for the program"),
        ("=B1,ann,3", "formula"),
        ("B1,ann", "2 cells"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(tmp_path: Path, row: str, says: str) -> None:
    path = write(tmp_path, f"specimen,reader,annuli\n{row}\n")
    with pytest.raises(TableError) as caught:
        read_readings([path])
    (line,) = caught.value.faults
    assert line.startswith("readings.csv, row 2: ")
    assert says in line


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("age_class", "-1"),
        ("age_class", "four"),
        ("seconds", "-3"),
        ("seconds", "90000"),
        ("read_on", "3/4/2024"),
    ],
)
def test_an_optional_cell_that_cannot_be_is_refused(tmp_path: Path, column: str, cell: str) -> None:
    path = write(tmp_path, f"specimen,reader,annuli,{column}\nB1,ann,3,{cell}\n")
    with pytest.raises(TableError, match=column):
        read_readings([path])


def test_the_faults_of_all_tables_are_listed_together(tmp_path: Path) -> None:
    first = write(tmp_path, "specimen,reader,annuli\nB1,ann,x\n", "one.csv")
    second = write(tmp_path, "specimen,annuli\nB1,3\n", "two.csv")
    with pytest.raises(TableError) as caught:
        read_readings([first, second, first])
    assert [line.split(":")[0] for line in caught.value.faults] == ["one.csv, row 2", "two.csv, row 1", "one.csv"]
