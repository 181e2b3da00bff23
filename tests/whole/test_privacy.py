"""What is heard stays with its owner: on the disk, and off every network."""

from __future__ import annotations

import os
import re
import stat
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path

import pytest

from listener.storage.output_file import write_output
from tests.support.needs import missing_packages, need
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


WATCHED = """
    import asyncio, os, socket, sys
    from pathlib import Path
    told, written = [], set()
    def watch(event, given):
        if event == "open" and isinstance(given[0], str | bytes | os.PathLike):
            if given[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
                written.add(os.path.abspath(os.fsdecode(given[0])))
        elif event.startswith(("tempfile", "shutil")):
            written.add(f"{event} {given}")
        if event == "socket.__new__" and given[1] not in (socket.AF_UNIX,):
            told.append((event, given[1:]))
        elif event in ("socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo",
                       "socket.gethostbyname", "urllib.Request"):
            if not (given and getattr(given[0], "family", None) == socket.AF_UNIX):
                told.append((event, given))
    sys.addaudithook(watch)
    {body}
    print("told", told)
    print("\\n".join(sorted(written)), file=sys.stderr)
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


def _watched(*bodies: str) -> str:
    body = "\n".join(textwrap.dedent(each) for each in bodies)
    return textwrap.dedent(WATCHED).replace("{body}", body)


@dataclass(frozen=True)
class Watched:
    """A case heard, debriefed, purged and replayed by one program, and what was seen of it."""

    place: Path
    """Its home. It holds `cases` and, as its temporary folder, `tmp`."""
    sockets: str
    """The network sockets that Python told of."""
    written: list[str]
    """The files that Python opened to write, and its use of temporary ones."""
    asked: str
    """What was asked of the kernel; "" on a machine without strace."""


@pytest.fixture(scope="module")
def watched(four_calls: Path, tmp_path_factory: pytest.TempPathFactory) -> Watched:
    """Once for all that looks at it: Python tells of each socket and each file before it is made (its audit
    events, PEP 578), and strace of what any library and any process of an engine asks of the kernel."""
    place = tmp_path_factory.mktemp("watched")
    (place / "tmp").mkdir()
    calls = "trace=socket,connect,bind,sendto,openat,open,creat"
    trace = ["strace", "-f", "-qq", "-e", calls, "-o", str(place / "asked")]
    done = subprocess.run(
        [
            *([] if missing_packages("strace") else trace),
            *(sys.executable, "-c", _watched(LISTEN, SCREEN), four_calls, place / "cases"),
        ],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TMPDIR": str(place / "tmp"),
            "HOME": str(place),
        },
    )
    assert done.returncode == 0, done.stderr
    written = [line for line in done.stderr.splitlines() if line.startswith(("/", "tempfile"))]
    asked = place / "asked"
    return Watched(
        place, done.stdout.splitlines()[-1], written, asked.read_text() if asked.exists() else ""
    )


def test_no_copy_of_the_sound_is_made_anywhere_else(watched: Watched) -> None:
    """Every file that Python opens to write."""
    here, cases = str(watched.place / "tmp"), str(watched.place / "cases")
    assert any(line.endswith("/audio.flac") for line in watched.written)
    elsewhere = [line for line in watched.written if not line.startswith(cases)]
    allowed = (here, "tempfile", "/dev/", "/proc/")
    assert not [line for line in elsewhere if not line.startswith(allowed)]
    # What the recogniser's files pass through is gone, and was no sound.
    assert not [path for path in Path(here).rglob("*") if path.is_file()]
    assert not [line for line in watched.written if "audio" in line and here in line]


def test_no_network_socket_is_opened_in_listening_nor_in_what_comes_after(watched: Watched) -> None:
    own = run(_watched("socket.socket().close()")).stdout
    assert own.startswith("told [('socket.__new__'"), "a socket that is made is told of"
    assert watched.sockets == "told []"


@pytest.mark.slow
def test_the_kernel_is_asked_for_no_network_socket_either(watched: Watched) -> None:
    """Below Python: no library makes one past it, and no process of an engine."""
    need("strace")
    assert "journal.db" in watched.asked
    assert "AF_INET" not in watched.asked
    assert "AF_NETLINK" not in watched.asked


@pytest.mark.slow
def test_no_library_writes_sound_anywhere_else_either(watched: Watched) -> None:
    """Each file that was opened to be written, by whatever code, lies in the case or holds no sound."""
    need("strace")
    opened = re.findall(r'open(?:at)?\([^"]*"([^"]+)", ([A-Z_|]+)', watched.asked)
    written = {name for name, flags in opened if re.search("O_WRONLY|O_RDWR|O_CREAT", flags)}
    assert any(name.endswith("/audio.flac") for name in written)
    known = (str(watched.place / "cases"), "/dev/", "/proc/")
    elsewhere = {name for name in written if not name.startswith(known)}
    # The recogniser's words and graph, and the empty file by which Python tries the temporary folder.
    model = re.compile(r"/tmp/(?:answerback-\w+/[\w/]+\.(?:txt|conf|int|fst|dict)|\w{8})")
    assert all(model.fullmatch(name.removeprefix(str(watched.place))) for name in elsewhere), (
        elsewhere
    )
    assert not list(watched.place.rglob("*.flac"))
