"""Is anything lost when a batch is killed at one of its first writes?

    python -m tests.studies.killed_writes [--first 1] [--last 60]

Reads a few stand-ins for scans undisturbed. Then, for each N from first to last, the same command from the start,
killed with SIGKILL as it makes its Nth call that changes the disk (pwrite, fsync, rename, mkdir ...), and given again.
Tables and pictures must be those of the undisturbed run to the last byte. Needs strace (Linux); where it is missing
nothing is tried, and that is said. Exit status 1 when a run differs. Some three minutes on two idle cores.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.studies.asked import numbers

WRITES = "pwrite64,fsync,fdatasync,rename,renameat,renameat2,mkdir,mkdirat,unlink,unlinkat,ftruncate"
"""Calls that change what is on the disk; plain write goes to terminals and pipes, too."""
SCANS = ("good-1", "good-2", "tray3-1", "truncated-1")
AGE = Path(__file__).parents[1] / "faults" / "age_with_faults.py"


def command(scans: Path, out: Path) -> list[str]:
    """The whole command with the stand-in for the reading of a scan, in one child at a time."""
    return [sys.executable, str(AGE), str(scans), str(out), "1"]


def results(out: Path) -> dict[str, bytes]:
    """Tables and pictures; log, ledger and run.json tell times and hold other bytes each time."""
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.suffix in (".csv", ".jpg", ".png")
    }


def traced(scans: Path, out: Path, *options: str) -> list[str]:
    """Give the command under strace; returns its calls of `WRITES`, in order."""
    log = out.with_suffix(".trace")
    strace = ["strace", "-qq", "-e", f"trace={WRITES}", *options, "-o", str(log)]
    subprocess.run([*strace, *command(scans, out)], capture_output=True, check=False)
    return [line for line in log.read_text(errors="replace").splitlines() if not line.startswith("+++")]


def killed(scans: Path, out: Path, number: int, names: Sequence[str]) -> str:
    """Give the command, killed at its `number`th call; `names` are those of an undisturbed run. Returns that call."""
    name = names[number - 1]  # strace counts each kind of call by itself
    nth = names[:number].count(name)
    calls = traced(scans, out, "-e", f"inject={name}:signal=KILL:when={nth}")
    return calls[-1].replace(str(out.parent), "")[:70] if calls else ""


def main(first: int, last: int, at_once: int) -> int:
    """Print each kill and what came of it."""
    if shutil.which("strace") is None:
        print("skipped: strace is not here, so no call can be killed; nothing was tried")
        return 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        scans = folder / "scans"
        scans.mkdir()
        for name in SCANS:
            (scans / f"{name}.png").write_bytes(name.encode())
        names = [call.split("(")[0] for call in traced(scans, folder / "undisturbed")]
        wanted = results(folder / "undisturbed")
        kills = range(first, min(last, len(names)) + 1)

        def tried(number: int) -> bool:
            out = folder / f"killed-{number}"
            at = killed(scans, out, number, names)
            again = subprocess.run(command(scans, out), capture_output=True, text=True, check=False)
            alike = again.returncode == 0 and results(out) == wanted
            said = "same" if alike else f"NOT THE SAME: {again.stderr.strip()[-200:]}"
            print(f"{number:3d} {at}: {said}", flush=True)
            shutil.rmtree(out, ignore_errors=True)
            return alike

        with ThreadPoolExecutor(at_once) as threads:
            same = sum(threads.map(tried, kills))
    print(f"{same} of {len(kills)} as undisturbed ({len(wanted)} files, {len(names)} calls)")
    return int(same < len(kills))


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, first=1, last=60, at_once=2)))
