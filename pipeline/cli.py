"""The command line: options as the user gives them, exit status as scripts read it. No logic.

Commands are imported when they are called: `--help` is quick, and a missing system library can be named in a line.
"""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.command_line.failures import in_words
from pipeline.command_line.help_page import CommandWithHelp
from pipeline.command_line.number_options import share, whole_number
from pipeline.errors import Interrupted

app = typer.Typer(
    help="Counts the winters on scans of walleye, yellow perch and sauger opercles, and says which bones a person must "
    "look at.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

RunFolder = Annotated[Path, typer.Argument(metavar="RUN", help="Folder that `opercle age` wrote.")]
SettingsFiles = Annotated[
    list[str] | None,
    typer.Option(metavar="FILE", help="Settings file of yours, or a shipped name as photocopy; repeats, later wins."),
]


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"opercle {version('opercle')}")
        raise typer.Exit


@app.callback()
def opercle(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Keeps `age` and the other commands by name, even while there is only one."""


@app.command(cls=CommandWithHelp, epilog="Example:  opercle age scans/ --specimens specimens.csv --out run-2026")
def age(
    scans: Annotated[
        list[Path],
        typer.Argument(metavar="SCANS", help="Scan files, or folders that are searched for TIFF, PNG and JPEG."),
    ],
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Folder for the results: new, or that of an earlier call.")
    ],
    specimens: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Table of specimens (CSV or .xlsx): place, date, length.")
    ] = None,
    settings: SettingsFiles = None,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", parser=whole_number(1), help="Scans read at a time; usually one a core."),
    ] = None,
    cluster: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS", help="Scheduler (dask.distributed) whose workers read the scans: tls://HOST:PORT."
        ),
    ] = "",
    open_cluster: Annotated[
        bool,
        typer.Option(
            "--open-cluster",
            help="Use a scheduler on another machine without TLS: whoever reaches its port can run programs as you.",
        ),
    ] = False,
    fresh: Annotated[
        bool,
        typer.Option("--fresh", help="Drop what the machine found in earlier calls; never readings or corrections."),
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Read tables, settings and scan headers, say what would be done, and stop.")
    ] = False,
    excel: Annotated[
        bool,
        typer.Option("--excel", help="Write FOLDER/ages.xlsx too: ages, fish, refused scans, what codes mean."),
    ] = False,
) -> None:
    """Count the annuli on every scan: one row a bone in FOLDER/ages.csv. Goes on where an earlier call stopped."""
    from pipeline.run.child_server import begin

    begin()  # what children need is imported there while this process imports what it needs
    from pipeline.batch.isolate import cores
    from pipeline.commands.age import age
    from pipeline.commands.asked import Request

    request = Request(
        scans=tuple(scans),
        out=out,
        specimens=specimens,
        settings=tuple(settings or ()),
        workers=workers or cores(),
        cluster=cluster,
        open_cluster=open_cluster,
        fresh=fresh,
        excel=excel,
    )
    if check:
        from pipeline.commands.check import check as checked

        for line in checked(request, _say):
            _print(line)
        return
    accounts = age(request, _say)
    for line in (*accounts.lines(str(out)), str(out / "ages.csv")):
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle enter run-2026 readings.csv")
def enter(
    run: RunFolder,
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE", help="Tables of readings, or of corrections (CSV or .xlsx).")
    ],
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", parser=whole_number(1), help="Pictures drawn at a time; usually one a core."),
    ] = None,
) -> None:
    """Enter people's readings and corrections into a run: final ages and queue follow. A row is only added once."""
    from pipeline.batch.isolate import cores
    from pipeline.commands.enter import enter

    for line in enter(run, files, workers or cores(), _say).lines():
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle audit readings.csv --run run-2026 --reference Ann")
def audit(
    readings: Annotated[list[Path], typer.Argument(metavar="READINGS", help="Tables of readings (CSV or .xlsx).")],
    run: Annotated[
        list[Path] | None, typer.Option(metavar="RUN", help="Run to judge the machine by; repeats, the oldest first.")
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            metavar="READER",
            help="Reader to hold all others against; or median, as usual, or mode.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Folder for the results; usually RUN/audit, or ./audit."),
    ] = None,
) -> None:
    """Compare readers with each other, and with the machine: precision, bias, drift."""
    from pipeline.commands.audit import audit

    _print(audit(readings, run or [], reference, out))


@app.command(cls=CommandWithHelp, epilog="Example:  opercle triage run-2026 --most 50 --pack to-read")
def triage(
    run: RunFolder,
    max_error: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE",
            parser=share,
            help="Share of wrong counts, from 0 to 1, that may be expected among the bones nobody reads. Without this "
            "and without --most: accepted_error of the run's settings, 0.02 as shipped.",
        ),
    ] = None,
    most: Annotated[
        int | None,
        typer.Option(
            metavar="N", parser=whole_number(0), help="Bones there is time for; --max-error may ask for fewer."
        ),
    ] = None,
    pack: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="New folder for readers: a sheet to fill in, unmarked pictures, and both to print."
        ),
    ] = None,
    age_class: Annotated[
        bool, typer.Option("--age-class", help="What must be right is the age class, not the count of annuli.")
    ] = False,
) -> None:
    """Rank the bones that a person must read, in RUN/queue.csv, and tell what error is left among the rest.

    A few bones drawn by lot from the rest are in the queue as well, as a check on the machine.
    """
    from pipeline.commands.triage import triage

    for line in triage(run, max_error, most, _say, pack, by_age_class=age_class).lines():
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle report run-2026")
def report(run: RunFolder) -> None:
    """Make RUN/report.html again from what is stored: the run as a whole, what to do next, and every bone."""
    from pipeline.commands.report import report

    _print(str(report(run, _say)))


@app.command(cls=CommandWithHelp, epilog="Example:  opercle desk run-2026")
def desk(
    run: RunFolder,
    scans: Annotated[
        list[Path] | None, typer.Option(metavar="FOLDER", help="Folder of the scans, where they were moved; repeats.")
    ] = None,
    port: Annotated[
        int,
        typer.Option(
            metavar="PORT",
            parser=whole_number(0, 65535),
            help="Usually 8230; 0 takes any port that is free.",
        ),
    ] = 8230,
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Usually 127.0.0.1, this machine alone; any other asks for a token. Read the caution.",
        ),
    ] = "127.0.0.1",
) -> None:
    """Open a web page on this machine where people read the bones that need one. Ctrl-C ends it; nothing is lost."""
    from pipeline.commands.desk import desk

    desk(run, scans or (), host, port, _say, _print)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle show run-2026")
def show(run: RunFolder) -> None:
    """Say in ten lines what a run is: scans, bones, fish, dates, flags, readings, queue."""
    from pipeline.commands.show import show

    for line in show(run):
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle refit run-2026 readings.csv --out our-lake.toml")
def refit(
    run: RunFolder,
    readings: Annotated[
        Path, typer.Argument(metavar="READINGS", help="Table of people's readings of it (CSV or .xlsx).")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Settings file to write, for --settings of `opercle age`.")],
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Write the file although no gain beyond chance is shown.")
    ] = False,
) -> None:
    """Fit evidence and confidence anew to people's counts of a run, and tell what that is expected to gain."""
    from pipeline.commands.refit import refit

    for line in refit(run, readings, out, _say, anyway=anyway).lines():
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle growth run-2026 older-ages.csv --out growth-2026")
def growth(
    source: Annotated[
        list[Path],
        typer.Argument(metavar="SOURCE", help="Folders that `opercle age` wrote, and tables of ages (CSV or .xlsx)."),
    ],
    lengths: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Table of fish that were only measured; they get ages by the key."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Folder for the results; usually RUN/growth, or ./growth."),
    ] = None,
    settings: SettingsFiles = None,
) -> None:
    """From ages to growth curves, good and poor years, age-length keys, maturity, condition and mortality."""
    from pipeline.commands.growth import growth

    for line in growth(source, lengths, out, settings or (), _say).lines():
        _print(line)


@app.command(cls=CommandWithHelp, epilog="Example:  opercle simulate practice/ --n 20 --seed 7")
def simulate(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for the drawn scans and tables: new or empty.")],
    n: Annotated[int, typer.Option(metavar="N", parser=whole_number(1), help="Bones to draw, usually 20.")] = 20,
    seed: Annotated[
        int,
        typer.Option(metavar="SEED", parser=whole_number(0), help="The same number draws the same bones; usually 0."),
    ] = 0,
) -> None:
    """Draw bones with known marks, to practise on: scans, specimens.csv and truth.csv."""
    from pipeline.commands.simulate import simulate

    drawn = simulate(out, n, seed)
    _print(f"{drawn.bones} bones on {drawn.scans} scans in {out}")


def _print(line: str) -> None:
    print(_plain(line), flush=True)


def _say(line: str) -> None:
    """Progress. When nobody listens any more, the work goes on."""
    with contextlib.suppress(BrokenPipeError):
        print(_plain(line), file=sys.stderr, flush=True)


def _plain(text: str) -> str:
    """The text as a terminal may have it: control characters, in a name perhaps, are spelt out."""
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode("ascii") for c in text)


def main() -> None:
    """Run the command; every way to fail is a line on standard error and an exit status, never a traceback."""
    try:
        app()
    except SystemExit as end:
        if end.code == Interrupted.exit_status:
            _say("stopped; nothing that was finished is lost")
        raise
    except BrokenPipeError:  # nobody takes the results
        sys.exit(1)
    except Exception as e:
        line, status = in_words(e)
        _say(line)
        sys.exit(status)


if __name__ == "__main__":
    main()
