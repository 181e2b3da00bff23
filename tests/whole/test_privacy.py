"""What is heard stays with its owner: on the disk, and off every network."""

from __future__ import annotations

import os
import re
import stat
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from listener.storage.output_file import write_output
from tests.support.needs import need
from tests.support.places import ROOT


def run(program: str, *argv: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *map(str, argv)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )


def test_folders_and_files_are_private_whatever_the_umask_while_heard_and_after(
    four_calls: Path, tmp_path: Path
) -> None:
    """Looked at from inside as well: the log and the index of the database are there then only."""
    program = """
        import os, stat, sys
        from pathlib import Path
        os.umask(0)
        from listener.storage.journal import Journal
        from tui.cli import main
        cases = Path(sys.argv[2])
        append, seen = Journal.append, set()
        def look(self, fact):
            told = append(self, fact)
            for path in (cases, *cases.rglob("*")):
                seen.add((path.name, oct(stat.S_IMODE(path.stat().st_mode))))
            return told
        Journal.append = look
        code = main(["listen", sys.argv[1], "--json", "--cases", str(cases), *sys.argv[3:]])
        for name, mode in sorted(seen):
            print(name, mode, file=sys.stderr)
        sys.exit(code)
    """
    (tmp_path / "words").write_text("a passphrase\n")  # invented
    for number, more in enumerate([[], ["--passphrase-file", str(tmp_path / "words")]]):
        cases = tmp_path / f"cases-{number}"
        done = run(program, four_calls, cases, *more)
        assert done.returncode == 0, done.stderr
        names = dict(re.findall(r"^(\S+) (0o\d+)$", done.stderr, re.M))
        assert {"journal.db", "journal.db-wal", "journal.db-shm", "protocol.toml"} <= set(names)
        (case,) = cases.iterdir()
        for name, mode in names.items():
            assert mode == ("0o700" if name in (cases.name, case.name) else "0o600"), name
        for path in case.iterdir():
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_a_page_about_a_case_is_private_too_also_where_another_stood(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("old")
    page.chmod(0o644)
    write_output(page, b"new", replace=True)
    assert page.read_text() == "new"
    assert stat.S_IMODE(page.stat().st_mode) == 0o600


def test_no_copy_of_the_sound_is_made_anywhere_else(four_calls: Path, tmp_path: Path) -> None:
    """Every file that Python opens to write is noted, by its audit event `open` (PEP 578)."""
    program = """
        import os, sys
        written = set()
        def watch(event, told):
            if event == "open" and isinstance(told[0], str | bytes | os.PathLike):
                mode, flags = told[1], told[2]
                if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                    written.add(os.path.abspath(os.fsdecode(told[0])))
            elif event.startswith(("tempfile", "shutil")):
                written.add(f"{event} {told}")
        sys.addaudithook(watch)
        from tui.cli import main
        code = main(["listen", sys.argv[1], "--json", "--cases", sys.argv[2]])
        print("\\n".join(sorted(written)), file=sys.stderr)
        sys.exit(code)
    """
    here = tmp_path / "tmp"
    here.mkdir()
    done = run(program, four_calls, tmp_path / "cases", TMPDIR=str(here))
    assert done.returncode == 0, done.stderr
    written = [line for line in done.stderr.splitlines() if line.startswith(("/", "tempfile"))]
    assert any(line.endswith("/audio.flac") for line in written)
    elsewhere = [line for line in written if not line.startswith(str(tmp_path / "cases"))]
    allowed = (str(here), "tempfile", "/dev/", "/proc/")
    assert not [line for line in elsewhere if not line.startswith(allowed)]
    # What the recogniser's files pass through is gone, and was no sound.
    assert not [path for path in here.rglob("*") if path.is_file()]
    assert not [line for line in written if "audio" in line and str(here) in line]


NETWORK = """
    import asyncio, socket, sys
    from pathlib import Path
    told = []
    def watch(event, given):
        if event == "socket.__new__" and given[1] not in (socket.AF_UNIX,):
            told.append((event, given[1:]))
        elif event in ("socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo",
                       "socket.gethostbyname", "urllib.Request"):
            if not (given and getattr(given[0], "family", None) == socket.AF_UNIX):
                told.append((event, given))
    sys.addaudithook(watch)
    {body}
    print("told", told)
"""

LISTEN = """
    from tui.cli import main
    assert main(["listen", sys.argv[1], "--json", "--cases", sys.argv[2]]) == 0
    (case,) = Path(sys.argv[2]).iterdir()
    debrief = ["debrief", "--html", str(Path(sys.argv[2], "page.html"))]
    for command in (["verify"], ["handover"], debrief, ["seal"], ["purge", "--yes"]):
        assert main([*command, str(case)]) == 0, command
"""

SCREEN = """
    from listener.audio.playback import player
    from listener.storage.case_reader import open_case
    from tui.dashboard.replay import Replay, what_is_heard
    stored = open_case(next(Path(sys.argv[2]).glob("*/journal.db")).parent)
    playing, _ = player(stored.sound, stored.end, 0.0, mute=True)
    async def look():
        async with Replay(stored, playing, what_is_heard(stored)).run_test() as pilot:
            await pilot.press("space", "right", "f")
            await pilot.pause()
    asyncio.run(look())
"""


def _network(body: str, *argv: str | Path) -> str:
    program = textwrap.dedent(NETWORK).replace("{body}", textwrap.dedent(body))
    done = run(program, *argv)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()[-1]


def test_no_network_socket_is_opened_in_listening_nor_in_what_comes_after(
    four_calls: Path, tmp_path: Path
) -> None:
    """Python tells of each socket before it is made (PEP 578)."""
    assert _network("socket.socket().close()").startswith("told [('socket.__new__'")
    assert _network(LISTEN, four_calls, tmp_path) == "told []"
    assert _network(SCREEN, four_calls, tmp_path) == "told []"


@pytest.fixture(scope="module")
def traced(four_calls: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A case heard, debriefed, purged and replayed: where that was, and what it asked of the kernel."""
    need("strace")
    place = tmp_path_factory.mktemp("traced")
    calls = "trace=socket,connect,bind,sendto,openat,open,creat"
    trace = ["strace", "-f", "-qq", "-e", calls, "-o", str(place / "calls")]
    done = subprocess.run(
        [*trace, sys.executable, "-c", _dedented(LISTEN, SCREEN), four_calls, place / "cases"],
        capture_output=True,
        timeout=300,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(place), "HOME": str(place)},
    )
    assert done.returncode == 0, done.stderr
    return place, (place / "calls").read_text()


@pytest.mark.slow
def test_the_kernel_is_asked_for_no_network_socket_either(traced: tuple[Path, str]) -> None:
    """Below Python: no library makes one past it, and no process of an engine."""
    _, calls = traced
    assert "journal.db" in calls
    assert "AF_INET" not in calls
    assert "AF_NETLINK" not in calls


@pytest.mark.slow
def test_no_library_writes_sound_anywhere_else_either(traced: tuple[Path, str]) -> None:
    """Each file that was opened to be written, by whatever code, lies in the case or holds no sound."""
    place, calls = traced
    opened = re.findall(r'open(?:at)?\([^"]*"([^"]+)", ([A-Z_|]+)', calls)
    written = {name for name, flags in opened if re.search("O_WRONLY|O_RDWR|O_CREAT", flags)}
    assert any(name.endswith("/audio.flac") for name in written)
    known = (str(place / "cases"), "/dev/", "/proc/")
    elsewhere = {name for name in written if not name.startswith(known)}
    # The recogniser's words and graph, and the empty file by which Python tries the temporary folder.
    model = re.compile(r"/answerback-\w+/(?:[\w/]+\.(?:txt|conf|int|fst|dict))|/\w{8}")
    assert all(model.fullmatch(name.removeprefix(str(place))) for name in elsewhere), elsewhere
    assert not list(place.rglob("*.flac"))


def _dedented(*bodies: str) -> str:
    program = textwrap.dedent(NETWORK)
    return program.replace("{body}", "\n".join(textwrap.dedent(body) for body in bodies))
