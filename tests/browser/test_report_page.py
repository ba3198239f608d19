"""The report in a real browser: filtered, paged, printed, at every width, by keyboard, without barriers."""

from __future__ import annotations

import pytest
from browser.barriers import serious
from command_line import called
from pages.reports import bone, refusal, report_of
from PIL import Image

from pipeline.pages.report_page import report_page


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report over 130 bones of two species on two trays, with small pictures beside it."""
    folder = tmp_path_factory.mktemp("report")
    bones = [
        bone(
            n,
            species="walleye" if n % 3 else "sauger",
            water="Heron Lake" if n % 2 else "Loon Reservoir",
            scan="tray_1.tif" if n <= 60 else "tray_2.tif",
            confidence=0.4 + n / 250,
            reasons=("damaged",) if n % 10 == 0 else ("low-confidence",) if n < 50 else (),
            annuli=n % 9,
            final_annuli=n % 9,
        )
        for n in range(1, 131)
    ]
    for place in ("overlays", "small/overlays", "small/trays", "trays"):
        (folder / place).mkdir(parents=True)
        for name in [b.picture for b in bones] if "overlays" in place else ["tray_1"]:
            Image.new("RGB", (64, 48), (90, 90, 90)).save(folder / place / f"{name}.jpg")
    page = folder / "report.html"
    page.write_text(report_page(report_of(*bones, refused=(refusal("bad.tif"),), scans=3)), encoding="utf-8")
    return page


def ids(page) -> list[str]:
    return page.locator("#bone-list .id").all_inner_texts()


def test_bones_are_chosen_by_species_water_reason_and_tray_and_paged(new_page, report):
    page = new_page()
    page.goto(report.as_uri())
    assert len(ids(page)) == 50
    assert page.get_by_role("status").inner_text() == "Bones 1 to 50 of 130, the doubtful first."
    page.get_by_role("button", name="Next page").first.click()
    page.get_by_role("button", name="Next page").first.click()
    assert len(ids(page)) == 30
    assert page.get_by_role("button", name="Next page").first.is_disabled()
    page.get_by_role("combobox", name="species").select_option(label="sauger")
    assert page.get_by_role("status").inner_text().startswith("Bones 1 to 43 of 43 chosen from 130")
    page.get_by_role("combobox", name="reason").select_option(label="damaged")
    assert sorted(ids(page)) == ["W-030", "W-060", "W-090", "W-120"]
    page.get_by_role("combobox", name="scan").select_option(label="tray_2.tif")
    assert sorted(ids(page)) == ["W-090", "W-120"]
    page.get_by_role("combobox", name="water").select_option(label="Heron Lake")
    assert page.get_by_role("status").inner_text() == "No bone fits all that is chosen."
    page.get_by_role("button", name="Show all").click()
    page.get_by_label("specimen").fill("w-10")
    assert sorted(ids(page)) == [f"W-10{n}" for n in range(10)]


def test_a_reason_in_the_table_leads_to_its_bones(new_page, report):
    page = new_page()
    page.goto(report.as_uri())
    page.get_by_role("link", name="damaged", exact=True).click()
    page.wait_for_function("() => document.querySelectorAll('#bone-list li').length === 13")


def test_every_picture_leads_to_a_large_one_that_is_there(new_page, report):
    page = new_page()
    page.goto(report.as_uri())
    link = page.locator("#bone-list a").first.get_attribute("href")
    assert (report.parent / link).is_file()


def test_a_bone_that_was_not_found_has_words_instead_of_a_picture(new_page, tmp_path):
    missing = bone(1, picture="", annuli=None, confidence=None, final_annuli=None, reasons=("missing-bone",))
    (tmp_path / "report.html").write_text(report_page(report_of(missing)), encoding="utf-8")
    page = new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert page.locator("#bone-list .blank").inner_text() == "no picture"
    assert page.locator("#bone-list img").count() == 0


def test_the_report_is_used_by_keyboard(new_page, report):
    page = new_page()
    page.goto(report.as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    page.get_by_label("state").focus()
    page.keyboard.press("ArrowDown")
    assert page.get_by_role("status").inner_text() != "Bones 1 to 50 of 130, the doubtful first."
    page.keyboard.press("ArrowUp")
    page.get_by_role("button", name="Next page").first.focus()
    page.keyboard.press("Enter")
    assert page.locator(".pager .place").first.inner_text().startswith("page 2")


@pytest.mark.parametrize("width", [360, 1000, 1600])
def test_the_report_fits_the_screen(new_page, report, width):
    page = new_page(width=width)
    page.goto(report.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_report_prints_on_a4(new_page, report):
    page = new_page()
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    assert not page.get_by_role("combobox", name="species").is_visible(), "paper has nothing to choose with"
    printed = page.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    pages = printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/")
    assert pages <= 12
    assert b"/MediaBox [0 0 59" in printed  # 595 by 842 points: A4


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_report_has_no_serious_barrier(new_page, report, scheme):
    page = new_page(scheme=scheme)
    page.goto(report.as_uri())
    page.locator("#bone-list li").first.wait_for()
    assert serious(page) == []


def test_the_report_of_a_true_run_opens_without_a_missing_picture(new_page, run):
    page = new_page()
    gone = []
    page.on("requestfailed", lambda request: gone.append(request.url))
    page.goto((run / "report.html").as_uri())
    page.locator("#bone-list img").first.wait_for()
    page.wait_for_function("() => [...document.images].filter(i => i.complete).every(i => i.naturalWidth > 0)")
    assert gone == []
    status, out, err = called("report", run)
    assert (status, out.strip()) == (0, str(run / "report.html")), err
