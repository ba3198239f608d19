"""The registry of reasons, notices and refusals. Tables, pages and README use it; a code never changes its meaning."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Code:
    """One code as it stands in a table."""

    code: str
    means: str
    """One line: what was found."""
    cure: str
    """What the reader should look at, or the user should do."""


def _registry(*codes: Code) -> dict[str, Code]:
    return {c.code: c for c in codes}


REASONS = _registry(
    Code(
        "low-confidence",
        "the count is less sure than the settings accept",
        "count the bone yourself; the second most probable count is in count_probabilities.csv",
    ),
    Code(
        "first-year",
        "the first mark found may not be the first annulus, or one is hidden in the thick base",
        "look near the focus, at the dotted ring where the missing mark would lie, and compare with small fish of the "
        "same water",
    ),
    Code(
        "edge-undecided",
        "the date and the margin together do not say whether the last annulus has formed",
        "look at the margin: is a new winter zone closed, and has growth begun beyond it?",
    ),
    Code(
        "crowded-margin",
        "the last marks lie closer together than the scan can resolve",
        "look at the last marks under a microscope, or scan again at a higher resolution",
    ),
    Code(
        "damaged",
        "part of the bone near the growth axis is broken, cracked or covered",
        "count along an undamaged part, or use the fish's other opercle",
    ),
    Code("cut-off", "the bone reaches over the scan's edge", "scan the whole bone again"),
    Code(
        "blurred",
        "the scan is not sharp enough for its narrowest increments",
        "scan again; the bone must lie flat on the glass",
    ),
    Code(
        "low-resolution",
        "increments are narrower than the scan's pixels can show",
        "scan again at a higher optical resolution",
    ),
    Code(
        "lighting-unsure",
        "the scan does not show whether opaque zones are bright or dark",
        "say reflected or transmitted in the lighting column",
    ),
    Code(
        "focus-unsure",
        "the place where growth started is not plain",
        "look at the cross at the focus; give focus_x, focus_y, axis_x, axis_y if it is wrong",
    ),
    Code(
        "unfamiliar",
        "the bone or its scan is unlike all that the machine was taught on",
        "read a random fifty bones like it and give them to opercle refit",
    ),
    Code(
        "unlikely-growth",
        "the increments are not those of this species",
        "check species and specimen, then the marks one by one",
    ),
    Code(
        "size-mismatch",
        "the bone's size does not fit the fish's length",
        "check that bone and fish belong together: a swapped id is the worst error",
    ),
    Code(
        "readers-differ",
        "the people who read this bone give different counts, and none of them prevails",
        "look at the bone together, and enter the count you agree on with settles = true",
    ),
    Code("sides-differ", "the two bones of this fish give different counts", "count both bones side by side"),
    Code(
        "tray-mismatch",
        "the tray holds more or fewer bones than the table says",
        "compare the tray sheet with the table: every specimen on this tray may be shifted",
    ),
    Code(
        "date-incomplete",
        "the capture date has no day, so the age class may be one year off",
        "give the full date of capture",
    ),
    Code(
        "no-bone", "what lies here does not look like an opercle", "check the scan; mark nothing here if it is no bone"
    ),
    Code(
        "missing-bone",
        "the table promises a bone that was not found on the scan",
        "compare the tray sheet with the table",
    ),
    Code("scan-refused", "the scan of this bone could not be used", "see refused.csv for the reason, and scan again"),
    Code("no-reading", "a bone was found but nothing on it could be measured", "count the bone yourself"),
)

NOTICES = _registry(
    Code(
        "no-resolution",
        "the file does not tell its resolution, so millimetres are blank",
        "give dpi in the specimens table",
    ),
    Code(
        "resolution-doubtful",
        "the file's resolution is not credible, so millimetres are blank",
        "give dpi in the specimens table",
    ),
    Code(
        "resolution-uneven",
        "the file's resolution differs between across and down; the mean is used",
        "give dpi in the specimens table",
    ),
    Code("no-date", "without a capture date there is no age class", "give captured in the specimens table"),
    Code("lighting-found", "the lighting was found by the machine", "give lighting in the specimens table to be sure"),
    Code(
        "species-unknown",
        "no settings for this species; the general ones apply",
        "write a settings file for the species",
    ),
    Code("corrected", "a person's focus or axis was used instead of the machine's", "nothing to do"),
    Code(
        "check-seen", "a mark was seen and taken for a check, not an annulus", "see the rejected marks on the overlay"
    ),
    Code("split-seen", "two lines that join were counted as one annulus", "see the double line on the overlay"),
    Code(
        "no-row",
        "no row of the specimens table names this bone",
        "add a row with its scan and its position on the tray",
    ),
    Code(
        "turned",
        "the file asks to be shown turned or mirrored, and was",
        "nothing to do; x and y are those of the picture as shown",
    ),
)

REFUSALS = _registry(
    Code("empty-file", "the file holds nothing", "scan again, or copy the file again"),
    Code("not-an-image", "the file is no TIFF, PNG or JPEG", "save the scan as TIFF or PNG"),
    Code("truncated", "the file ends too early", "copy the file again; if that does not help, scan again"),
    Code("corrupt", "the file's pixels cannot be decoded", "copy the file again; if that does not help, scan again"),
    Code(
        "too-large",
        "the scan has more pixels than the settings allow",
        "raise scan.most_megapixels in the settings, or scan smaller trays",
    ),
    Code("too-small", "the scan has too few pixels to hold a bone", "scan again at a higher resolution"),
    Code("several-pages", "the file holds several pages", "save each page as a file of its own"),
    Code(
        "colour-mode",
        "the file's colours are not grey, RGB or palette (CMYK and Lab are refused)",
        "save the scan as grey or RGB",
    ),
    Code("pixel-format", "the pixels are not 1, 8 or 16 bit whole numbers", "save the scan with 8 or 16 bit a channel"),
    Code("blank", "the whole scan has one brightness", "check the scanner's lid and lamp, and scan again"),
    Code("no-bones", "no bone was found on the scan", "check that bones lie apart on an even backing"),
    Code("unreadable-file", "the file cannot be opened", "check that it exists and that you may read it"),
    Code("odd-name", "the file's name holds characters that no table can hold", "rename the file"),
    Code("changed", "the file changed while it was read", "start the batch again when nothing writes to the folder"),
    Code("deadline", "reading the scan took longer than the settings allow", "raise batch.cpu_seconds in the settings"),
    Code(
        "memory",
        "reading the scan needed more memory than the settings allow",
        "raise batch.memory_megabytes in the settings",
    ),
    Code(
        "crashed",
        "the process that read the scan was ended by the system",
        "start the batch again; if it happens again, convert the scan to PNG",
    ),
    Code(
        "failed",
        "reading the scan met a fault of this program",
        "report the line in log.jsonl, with the scan if you may",
    ),
)
