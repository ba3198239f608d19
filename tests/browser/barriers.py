"""What keeps people with a screen reader, a keyboard or weak eyes from using a page, as axe-core finds it."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe


def serious(page) -> list[str]:
    """Findings that axe-core calls serious or critical, a line each."""
    found = Axe().run(page).response["violations"]
    return [
        f"{v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes'][:3]]}"
        for v in found
        if v["impact"] in ("serious", "critical")
    ]
