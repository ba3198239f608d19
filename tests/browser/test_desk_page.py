"""A reader works at the desk in a real browser: by mouse, by keyboard, with others, and through interruptions."""

from __future__ import annotations

import csv
import io
import json
import re
import time

import pytest
from desk.runs import Served, rows_of

from pipeline.run.ledger import Ledger


def begin(page, address: str, name: str, bone: str = "") -> str:
    """Sign in; returns the specimen that is shown."""
    page.goto(address + (f"#{bone}" if bone else ""))
    page.get_by_label("name", exact=True).fill(name)
    page.get_by_role("button", name="Begin").click()
    return shown(page)


def shown(page, other_than: str = "") -> str:
    """The specimen on the page, once its picture is there at full resolution."""
    page.wait_for_function(
        "other => !document.getElementById('sign-in').open && document.getElementById('specimen').textContent &&"
        " document.getElementById('specimen').textContent !== other && document.querySelector('#ink .axis') &&"
        " document.getElementById('loading').hidden",
        arg=other_than,
    )
    return page.locator("#specimen").inner_text()


def axis_point(page, share: float) -> tuple[float, float]:
    """Where on the screen a share of the axis lies."""
    line = page.locator("#ink line.axis:not(.halo)")
    x1, y1, x2, y2 = (float(line.get_attribute(name)) for name in ("x1", "y1", "x2", "y2"))
    box = page.locator("#stage").bounding_box()
    return box["x"] + x1 + share * (x2 - x1), box["y"] + y1 + share * (y2 - y1)


def stored(page) -> None:
    page.wait_for_function("() => document.getElementById('stored').textContent === 'stored'")


def count(page) -> str:
    return page.locator("#count").inner_text()


# ------------------------------------------------------------------------------------------------ a queue, worked
def test_a_reader_works_through_three_bones_by_mouse(serving, new_page, run):
    page = new_page()
    bone, seen = begin(page, serving.address, "Ann"), []
    for marks in ((0.3, 0.6), (0.4,), (0.2, 0.5, 0.8)):
        seen.append(bone)
        for share in marks:
            page.mouse.click(*axis_point(page, share))
        assert count(page) == str(len(marks))
        page.get_by_role("button", name="little growth").click()
        page.get_by_role("button", name="fair: may be one off").click()
        page.get_by_role("button", name=f"save {len(marks)}").click()
        page.get_by_role("button", name="keep it, next bone").click()
        if len(seen) < 3:
            bone = shown(page, other_than=bone)
    page.get_by_text("No bone is left in this list").wait_for()
    rows = rows_of(run, "readings")
    assert [(r[1], r[2], r[3], r[5], r[6]) for r in rows] == [
        (s, "Ann", n, "narrow", "fair") for s, n in zip(seen, (2, 1, 3), strict=True)
    ]
    assert all(0 < r[7] < 60 for r in rows)


def test_a_reader_works_through_three_bones_by_keyboard_alone_and_reloads_in_the_middle(serving, new_page, run):
    page = new_page()
    page.goto(serving.address)
    page.get_by_role("heading", name="Who reads?").wait_for()
    page.keyboard.type("Ben")
    page.keyboard.press("Enter")
    bone = shown(page)
    for n in range(3):
        page.keyboard.press(",")  # to the focus
        for _ in range(2):
            for _ in range(5):
                page.keyboard.press("Shift+ArrowRight")
            page.keyboard.press("Space")
        if n == 1:
            stored(page)
            page.reload()
            assert shown(page) == bone
        assert count(page) == "2"
        for key in ("3", "5", "s"):
            page.keyboard.press(key)
        page.get_by_role("button", name="keep it, next bone").wait_for()
        page.keyboard.press("n" if n else "Enter")  # an easy bone: four keys beyond the marks
        if n < 2:
            bone = shown(page, other_than=bone)
    page.get_by_text("No bone is left in this list").wait_for()
    assert [(*r[2:4], r[5], r[6]) for r in rows_of(run, "readings")] == [("Ben", 2, "medium", "clear")] * 3


def test_marks_are_moved_removed_and_brought_back(serving, new_page):
    page = new_page()
    begin(page, serving.address, "Ann")
    for share in (0.3, 0.6, 0.9):
        page.mouse.click(*axis_point(page, share))
    x, y = axis_point(page, 0.6)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(*axis_point(page, 0.7), steps=4)
    page.mouse.up()
    assert count(page) == "3"
    page.keyboard.press("Delete")
    assert count(page) == "2"
    page.keyboard.press("u")
    assert count(page) == "3"
    page.keyboard.press("h")
    assert count(page) == "4"
    page.keyboard.press("h")
    for _ in range(6):  # undone one by one: the move and the three marks, and more than there is
        page.keyboard.press("u")
    assert count(page) == "0"


def test_no_annulus_is_saved_only_when_asked_twice_and_cannot_be_aged_at_once(serving, new_page, run):
    page = new_page()
    bone = begin(page, serving.address, "Ann")
    page.keyboard.press("s")
    page.get_by_text("No annulus is marked").wait_for()
    assert rows_of(run, "readings") == []
    page.keyboard.press("s")
    page.keyboard.press("n")
    shown(page, other_than=bone)
    page.keyboard.press("x")
    page.get_by_role("button", name="keep it, next bone").wait_for()
    assert [r[3] for r in rows_of(run, "readings")] == [0, None]


def test_a_changed_answer_is_kept_beside_the_first(serving, new_page, run):
    page = new_page()
    begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.5))
    page.keyboard.press("s")
    page.get_by_role("button", name="keep it, next bone").wait_for()
    page.mouse.click(*axis_point(page, 0.8))
    page.get_by_role("button", name="save 2 instead").click()
    page.get_by_role("button", name="keep it, next bone").wait_for()
    assert [r[3] for r in rows_of(run, "readings")] == [1, 2]


# ------------------------------------------------------------------------------------------------ blind first
def test_nothing_that_is_hidden_reaches_the_browser_before_the_answer(serving, new_page, run):
    page = new_page()
    heard = []
    page.on("response", lambda response: heard.append(response))
    bone = begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.5))
    stored(page)
    with Ledger(run) as ledger:
        aged = ledger.ages.one(bone)
    hidden = [f"{aged.age.confidence:.4f}"[1:5], f"{aged.specimen.length_mm:g} mm", *aged.age.reasons, "likely"]
    hidden += [repr(m.x)[:7] for m in aged.age.marks]
    texts = [r.text() for r in heard if "/api/" in r.url]
    texts.append(page.locator("main").inner_html())
    assert len(texts) > 3
    assert [word for word in hidden for text in texts if word in text] == []
    assert page.locator("#after").is_hidden()
    page.keyboard.press("s")
    page.locator("#compare").get_by_text("machine").wait_for()
    told = page.locator("#compare").inner_text()
    assert f"{aged.age.confidence:.2f}" in told
    assert f"{aged.specimen.length_mm:g} mm" in told
    assert page.locator("#ink rect.machine").count() == sum(m.counted for m in aged.age.marks)


def test_two_readers_at_once_do_not_see_each_others_counts_and_both_are_kept(serving, new_page, run):
    ann, ben = new_page(), new_page()
    bone = begin(ann, serving.address, "Ann")
    assert begin(ben, serving.address, "Ben", bone) == bone
    for page, marks in ((ann, (0.3, 0.6)), (ben, (0.3, 0.6, 0.8))):
        for share in marks:
            page.mouse.click(*axis_point(page, share))
        stored(page)
    ann.keyboard.press("s")
    ann.locator("#compare").get_by_text("machine").wait_for()
    assert "Ben" not in ann.locator("#compare").inner_text()
    assert count(ben) == "3"
    ben.keyboard.press("s")
    ben.locator("#compare").get_by_text("Ann", exact=True).wait_for()
    assert [r[2:4] for r in rows_of(run, "readings")] == [("Ann", 2), ("Ben", 3)]
    assert ben.locator("#ink path.other").count() == 2  # Ann's marks


def test_two_readers_who_differ_settle_it_together(serving, new_page, run):
    for name, shares in (("Ann", (0.3,)), ("Ben", (0.3, 0.6))):
        page = new_page()
        begin(page, serving.address, name, "F00007L")
        for share in shares:
            page.mouse.click(*axis_point(page, share))
        page.keyboard.press("s")
        page.get_by_role("button", name="keep it, next bone").wait_for()
    page = new_page()
    begin(page, serving.address, "Ann", "F00007L")
    page.locator("#kind").select_option("joint")
    page.get_by_label("second reader").fill("Ben")
    page.get_by_role("button", name="Begin").click()
    page.locator("#compare").get_by_text("Ann", exact=True).wait_for()
    rows = page.locator("#compare tr").all_inner_texts()
    assert [re.sub(r"\s+", " ", row).strip() for row in rows] == ["Ann 1", "Ben 2"]
    assert page.locator("#ink rect.machine").count() == 0
    for share in (0.3, 0.6):
        page.mouse.click(*axis_point(page, share))
    page.keyboard.press("s")
    page.locator("#compare").get_by_text("machine").wait_for()
    last = rows_of(run, "readings")[-1]
    assert (last[1], last[2], last[3], last[9]) == ("F00007L", "Ann and Ben", 2, 1)
    serving.stop()
    ages = {r["specimen"]: r for r in csv.DictReader(io.StringIO((run / "ages.csv").read_text(encoding="utf-8")))}
    assert (ages["F00007L"]["final_annuli"], ages["F00007L"]["counted_by"]) == ("2", "Ann and Ben")


# ------------------------------------------------------------------------------------------------ interruptions
def test_marks_placed_while_the_desk_is_down_are_stored_when_it_is_back(serving, new_page, run):
    page = new_page()
    bone = begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.3))
    stored(page)
    serving.kill()
    page.mouse.click(*axis_point(page, 0.6))
    page.get_by_text("The desk does not answer").wait_for()
    page.mouse.click(*axis_point(page, 0.8))
    assert len(rows_of(run, "desk")) == 1
    serving.start()
    stored(page)
    page.reload()
    assert shown(page) == bone
    assert count(page) == "3"
    page.expected_errors.clear()  # the browser tells of the posts that nobody heard


def test_a_corrected_focus_is_stored_and_the_machine_reads_the_bone_again(serving, new_page, run):
    page = new_page()
    begin(page, serving.address, "Ann", "F00002R")
    page.locator("summary", has_text="Focus and axis").click()
    page.keyboard.press("a")
    x, y = axis_point(page, 0.0)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 12, y - 9, steps=3)
    page.mouse.up()
    stored(page)
    page.get_by_role("button", name="let the machine read it again").click()
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        with Ledger(run) as ledger:
            if "corrected" in ledger.ages.one("F00002R").age.notices:
                break
        time.sleep(0.2)
    else:
        pytest.fail("the bone was not read again")
    assert len(rows_of(run, "corrections")) == 1


def test_a_jump_to_a_specimen_finds_it(run, serving, new_page):
    page = new_page()
    first = begin(page, serving.address, "Ann")
    with (run / "queue.csv").open(encoding="utf-8") as queue:
        other = next(row["specimen"] for row in csv.DictReader(queue) if row["specimen"] != first)
    page.keyboard.press("j")
    page.keyboard.type(other)
    page.keyboard.press("Enter")
    assert shown(page, other_than=first) == other
    page.keyboard.press("p")
    assert shown(page, other_than=other) == first


# ------------------------------------------------------------------------------------------------ slow pictures
def test_the_keys_work_as_soon_as_a_jump_has_found_its_bone(serving, new_page):
    page = new_page()
    first = begin(page, serving.address, "Ann")
    page.route("**/picture/**", lambda route: None)  # no picture ever comes
    page.keyboard.press("j")
    page.keyboard.type("F00007L" if first != "F00007L" else "F00002R")
    page.keyboard.press("Enter")
    page.wait_for_function("first => document.getElementById('specimen').textContent !== first", arg=first)
    page.keyboard.press("p")
    page.wait_for_function("first => document.getElementById('specimen').textContent === first", arg=first)


def test_nothing_is_marked_on_a_bone_whose_picture_is_not_there(serving, new_page, run):
    page = new_page()
    first = begin(page, serving.address, "Ann")
    place = axis_point(page, 0.5)
    page.route("**/picture/**", lambda route: None)
    page.goto(f"{serving.address}#{'F00007L' if first != 'F00007L' else 'F00002R'}")
    page.wait_for_function("first => document.getElementById('specimen').textContent !== first", arg=first)
    page.mouse.click(*place)
    page.keyboard.press("Space")
    page.keyboard.press("s")
    assert count(page) == "0"
    assert rows_of(run, "desk") == []


def test_a_picture_that_comes_late_is_not_shown_on_the_next_bone(serving, new_page):
    page, late = new_page(), []
    page.route("**/picture/full?*", lambda route: route.continue_() if late else late.append(route))
    page.goto(serving.address)
    page.get_by_label("name", exact=True).fill("Ann")
    with page.expect_request("**/picture/full?*"):
        page.get_by_role("button", name="Begin").click()
    first = page.locator("#specimen").inner_text()
    page.keyboard.press("n")
    shown(page, other_than=first)
    drawn = "() => document.getElementById('canvas').toDataURL()"
    before = page.evaluate(drawn)
    with page.expect_response("**/picture/full?*"):
        late[0].continue_()
    page.evaluate("() => new Promise((done) => setTimeout(done, 500))")
    assert page.evaluate(drawn) == before


# ------------------------------------------------------------------------------------------------ every eye and screen
@pytest.mark.parametrize("width", [360, 1000, 1600])
def test_the_desk_fits_the_screen(serving, new_page, width):
    page = new_page(width=width, height=760)
    begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.5))
    page.keyboard.press("s")
    page.locator("#compare").get_by_text("machine").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    if width >= 1000:  # what is needed for each bone is in sight
        assert page.get_by_role("button", name="keep it, next bone").evaluate(
            "b => b.getBoundingClientRect().bottom <= innerHeight"
        )


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_desk_has_no_serious_barrier(serving, new_page, scheme):
    from browser.barriers import serious

    page = new_page(scheme=scheme)
    page.goto(serving.address)
    page.get_by_label("name", exact=True).wait_for()
    assert serious(page) == []
    begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.5))
    assert serious(page) == []
    page.keyboard.press("s")
    page.locator("#compare").get_by_text("machine").wait_for()
    assert serious(page) == []
    page.keyboard.press("?")
    page.get_by_role("heading", name="Keys").wait_for()
    assert serious(page) == []


def test_posts_of_the_page_are_json_with_a_key(serving, new_page: Served):
    page = new_page()
    sent = []
    page.on("request", lambda request: sent.append(request) if request.method == "POST" else None)
    begin(page, serving.address, "Ann")
    page.mouse.click(*axis_point(page, 0.5))
    stored(page)
    (post,) = sent
    assert set(json.loads(post.post_data)) == {"key", "reader", "specimen", "sign", "act", "mark", "x", "y"}
