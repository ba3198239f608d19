"""What readers enter at the desk is kept, once and for good, and ages, queue and report follow."""

from __future__ import annotations

import csv
import io
import json
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from command_line import called
from desk.runs import desk_of, page, post_of, rows_of, served

from pipeline.run import run_folder
from pipeline.run.earlier import found
from pipeline.run.ledger import Ledger
from pipeline.scans.scan_file import read_scan


def post(client, address, body):
    return client.post(address, content=json.dumps(body), headers=page(client))


def ages_of(run):
    rows = csv.DictReader(io.StringIO((run / "ages.csv").read_text(encoding="utf-8")))
    return {row["specimen"]: row for row in rows}


# ------------------------------------------------------------------------------------------------ answers
def test_an_answer_sent_twice_is_kept_once(client, run):
    body = post_of(client, "F00007L", "Ann", 1, annuli=4, edge="narrow", readability="clear", seconds=31.4)
    first, second = post(client, "/api/answer", body), post(client, "/api/answer", body)
    assert first.status_code == second.status_code == 200
    (row,) = rows_of(run, "readings")
    assert row[1:8] == ("F00007L", "Ann", 4, None, "narrow", "clear", 31.4)


def test_who_changes_the_answer_has_both_kept(client, run):
    post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1, annuli=4))
    seen = post(client, "/api/answer", post_of(client, "F00007L", "Ann", 2, annuli=5)).json()
    assert [a["annuli"] for a in seen["answers"]] == [4, 5]
    assert [row[3] for row in rows_of(run, "readings")] == [4, 5]


def test_cannot_be_aged_is_an_answer(client, run):
    post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1, annuli=None))
    assert [row[3] for row in rows_of(run, "readings")] == [None]
    assert "F00007L" in client.get("/api/work?kind=sample&reader=Ann").json()["done"]


def test_two_readers_at_once_lose_and_double_nothing(client, run):
    bodies = [
        post_of(client, specimen, reader, 100 * n + k, annuli=k % 9)
        for n, reader in enumerate(("Ann", "Ben"))
        for k, specimen in enumerate(["F00007L", "F00008R"] * 10)
    ]
    with ThreadPoolExecutor(8) as threads:
        answers = list(threads.map(lambda body: post(client, "/api/answer", body).status_code, bodies * 2))
    assert set(answers) == {200}
    assert sorted(row[2] for row in rows_of(run, "readings")) == ["Ann"] * 20 + ["Ben"] * 20


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"annuli": -1}, "annuli"),
        ({"annuli": 100}, "annuli"),
        ({"annuli": 4.5}, "annuli"),
        ({"annuli": "4"}, "annuli"),
        ({"annuli": 4, "edge": "broad"}, "edge"),
        ({"annuli": 4, "seconds": float("inf")}, "seconds"),
        ({"annuli": 4, "note": "a\x00b"}, "control character"),
        ({"annuli": 4, "note": "x" * 1001}, "note"),
        ({"annuli": 4, "reader": "machine"}, "stands for the program"),
        ({"annuli": 4, "reader": "  "}, "name"),
        ({"annuli": 4, "reader": "=cmd"}, "name"),
        ({"annuli": 4, "settles": True}, "settles"),
        ({"annuli": 4, "together_with": "ann"}, "different readers"),
        ({"annuli": 4, "key": "short"}, "key"),
        ({}, "annuli"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_with_what_is_wrong(client, run, more, says):
    answer = post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1) | more)
    assert answer.status_code == 422
    assert says in answer.json()["error"]
    assert rows_of(run, "readings") == []


def test_an_answer_about_other_pixels_than_those_shown_is_refused(client, run):
    body = post_of(client, "F00007L", "Ann", 1, annuli=4) | {"sign": "0" * 16}
    assert post(client, "/api/answer", body).status_code == 409
    assert rows_of(run, "readings") == []


def test_a_bone_that_the_run_does_not_hold_is_unknown(client):
    assert client.get("/api/bone?specimen=nobody&reader=Ann").status_code == 404
    assert "no such specimen" in client.get("/api/bone?specimen=nobody&reader=Ann").json()["error"]


# ------------------------------------------------------------------------------------------------ marks
def test_each_mark_is_there_when_the_desk_is_opened_again(run):
    with desk_of(run) as desk, served(desk) as client:
        for mark in (1, 2, 3):
            body = post_of(client, "F00007L", "Ann", mark, act="place", mark=mark, x=100.0 + mark, y=200.0)
            assert post(client, "/api/mark", body).status_code == 200
        body = post_of(client, "F00007L", "Ann", 4, act="move", mark=2, x=150.0, y=220.0)
        post(client, "/api/mark", body)
        post(client, "/api/mark", post_of(client, "F00007L", "Ann", 5, act="remove", mark=1))
    with desk_of(run) as desk, served(desk) as client:
        bone = client.get("/api/bone?specimen=F00007L&reader=Ann").json()
        assert bone["marks"] == [{"mark": 2, "at": [150.0, 220.0]}, {"mark": 3, "at": [103.0, 200.0]}]
        assert bone["next_mark"] == 4
        assert client.get("/api/bone?specimen=F00007L&reader=Ben").json()["marks"] == []


# ------------------------------------------------------------------------------------------------ what follows
def test_final_ages_queue_and_report_follow_an_answer(run):
    before = (run / "report.html").read_text(encoding="utf-8")
    machine = ages_of(run)["F00007L"]["annuli"]
    with desk_of(run, following=True) as desk, served(desk) as client:
        post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1, annuli=int(machine) + 1))
    row = ages_of(run)["F00007L"]
    assert (row["final_annuli"], row["counted_by"], row["annuli"]) == (str(int(machine) + 1), "Ann", machine)
    assert "F00007L" not in (run / "queue.csv").read_text(encoding="utf-8")
    assert (run / "report.html").read_text(encoding="utf-8") != before
    assert "Ann 1" in (run / "report.html").read_text(encoding="utf-8")


def test_a_corrected_bone_is_read_again_alone(run):
    with Ledger(run) as ledger:
        digests = {place: ledger.scans.reading(*place)[1] for place in ledger.scans.each()}
    with desk_of(run, following=True) as desk, served(desk) as client:
        bone = client.get("/api/bone?specimen=F00002R&reader=Ann").json()
        (fx, fy), tip = bone["focus"], bone["tip"]
        body = post_of(client, "F00002R", "Ann", 1, focus=[fx + 6.0, fy - 4.0], tip=tip)
        assert post(client, "/api/axis", body).status_code == 200
        assert client.get("/api/bone?specimen=F00002R&reader=Ann").json()["focus"] == [fx + 6.0, fy - 4.0]
        assert post(client, "/api/read-again", post_of(client, "F00002R", "Ann", 2)).status_code == 200
    rows = ages_of(run)
    assert float(rows["F00002R"]["focus_x"]) == pytest.approx(fx + 6.0, abs=0.01)
    assert [s for s, row in rows.items() if "corrected" in row["notices"].split(";")] == ["F00002R"]
    with Ledger(run) as ledger:
        now = {place: ledger.scans.reading(*place)[1] for place in ledger.scans.each()}
    assert [place for place in digests if digests[place] != now[place]] == [("tray_perch.jpg", 2)]


@pytest.mark.parametrize(
    "points", [{"focus": [1e5, 10.0], "tip": [20.0, 20.0]}, {"focus": [20.0, 20.0], "tip": [20.0, 20.0]}]
)
def test_a_correction_that_cannot_be_is_refused(client, run, points):
    assert post(client, "/api/axis", post_of(client, "F00002R", "Ann", 1, **points)).status_code == 422
    assert rows_of(run, "corrections") == []


# ------------------------------------------------------------------------------------------------ joint look
def test_the_answer_of_a_joint_look_settles_the_bone(run):
    with desk_of(run, following=True) as desk, served(desk) as client:
        post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1, annuli=4))
        early = post_of(client, "F00007L", "Ann", 2, annuli=5, together_with="Ben")
        assert post(client, "/api/answer", early).status_code == 404  # Ben has not answered alone
        post(client, "/api/answer", post_of(client, "F00007L", "Ben", 3, annuli=6))
        assert client.get("/api/work?kind=joint&reader=Ann").json()["to_do"] == ["F00007L"]
        joint = client.get("/api/bone?specimen=F00007L&reader=Ann&with=Ben").json()
        assert [(b["reader"], b["annuli"]) for b in joint["both"]] == [("Ann", 4), ("Ben", 6)]
        settled = post_of(client, "F00007L", "Ann", 4, annuli=6, together_with="Ben")
        assert "after" in post(client, "/api/answer", settled).json()
        assert client.get("/api/work?kind=joint&reader=Ann").json()["to_do"] == []
    row = ages_of(run)["F00007L"]
    assert (row["final_annuli"], row["counted_by"]) == ("6", "Ann and Ben")


# ------------------------------------------------------------------------------------------------ tables and pictures
def test_the_tables_of_the_desk_are_those_that_enter_takes_and_knows_already(client, run, tmp_path):
    post(client, "/api/answer", post_of(client, "F00007L", "Ann", 1, annuli=4, note="-a check?", edge="wide"))
    post(client, "/api/axis", post_of(client, "F00008R", "Ann", 2, focus=[50.5, 60.0], tip=[300.0, 400.0]))
    tables = []
    for name in ("readings.csv", "corrections.csv"):
        answer = client.get(f"/{name}?reader=Ann")
        assert "attachment" in answer.headers["content-disposition"]
        tables.append(tmp_path / name)
        tables[-1].write_text(answer.text, encoding="utf-8", newline="")
    status, out, err = called("enter", run, *tables)
    assert (status, err.count("refused")) == (0, 0)
    assert out.count("rows taken 0") == 2
    assert out.count("known already 1") == 2


def test_a_bone_is_shown_at_the_resolution_of_its_scan(client, run):
    answer = client.get("/picture/full?specimen=F00003L")
    left, top, scale = (float(answer.headers[f"x-{name}"]) for name in ("left", "top", "scale"))
    picture = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_GRAYSCALE)
    with Ledger(run) as ledger:
        known = ledger.scans.one("tray_perch.jpg")
        pixels = read_scan(found(run, known), run_folder.settings_of(run, ledger).scan).pixels
    height, width = picture.shape
    part = pixels[int(top) : int(top) + height, int(left) : int(left) + width]
    assert scale == 1
    assert part.shape == picture.shape
    assert np.abs(part.astype(int) - picture).mean() < 2


def test_without_its_scan_a_bone_is_shown_from_the_stored_picture(run):
    with Ledger(run) as ledger:
        scan = found(run, ledger.scans.one("walleye_2.jpg")).path
    scan.unlink()
    with desk_of(run) as desk, served(desk) as client:
        assert client.get("/picture/full?specimen=F00007L").status_code == 404
        assert client.get("/picture/stored?specimen=F00007L").status_code == 200
