"""The command line as a user meets it: results, refusals in a sentence, and the documents' word."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.support.places import COMMANDS_PAGE, DIALOGUES, README, ROOT
from tui.cli import main, parser

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))


def run(*argv: str, stdin: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    command = [
        sys.executable,
        "-c",
        "import sys; from tui.cli import main; sys.exit(main())",
        *argv,
    ]
    return subprocess.run(command, input=stdin, capture_output=True, timeout=120, check=False)


def calls(done: subprocess.CompletedProcess[bytes]) -> list[str | None]:
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert lines[-1]["kind"] == "summary"
    return [line["call"] for line in lines[:-1]]


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    (tmp_path / "text.wav").write_text("not sound")
    soundfile.write(tmp_path / "empty.wav", np.zeros(0, np.int16), 16000)
    (tmp_path / "broken.toml").write_text("x = [")
    (tmp_path / "folder").mkdir()
    return tmp_path


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (["listen", "text.wav", "--json"], "audio"),
        (["listen", "empty.wav", "--json"], "empty"),
        (["listen", "nowhere.wav", "--json"], "no file"),
        (["listen", str(QUICK), "--json", "--protocol", "nowhere"], "no protocol"),
        (["listen", str(QUICK), "--json", "--protocol", "broken.toml"], "TOML"),
        (["listen", str(QUICK), "--json", "--model", "folder"], "model"),
        (["listen", str(QUICK), "--json", "--cases", "text.wav/cases"], "case"),
        (["listen", str(QUICK), "--json", "--device", "3"], "leave the file out"),
        (["listen", str(QUICK), "--json", "--channel", "1=nobody"], "no station"),
        (["listen", str(QUICK), "--json", "--channel", "2=outside"], "no channel 2"),
        (["listen", str(QUICK)], "--json"),
        (["check", "broken.toml"], "TOML"),
        (["judge", "broken.toml"], "TOML"),
        (["judge", "nowhere.toml"], "read"),
        (["demo", "--weight-kg", "many"], "kilograms"),
    ],
)
def test_what_a_user_can_mend_ends_in_one_sentence_and_code_2(
    bad: Path, argv: list[str], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bad)
    cases = [] if argv[0] in ("check", "judge") or "--cases" in argv else ["--cases", "cases"]
    root = str(ROOT)
    monkeypatch.setenv("PYTHONPATH", root)
    done = run(*argv, *cases)
    assert done.returncode == 2
    assert done.stdout == b""
    assert says in done.stderr.decode()
    assert b"Traceback" not in done.stderr


def test_the_version_says_which_cases_it_writes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    changes = (ROOT / "CHANGELOG.md").read_text()
    newest = re.search(r"^## (\S+), .*\(cases: schema (\d+)\)", changes, re.MULTILINE)
    assert newest
    told = capsys.readouterr().out
    assert told == f"answerback {newest[1]} (cases: schema {newest[2]})\n"


def test_a_mistake_that_is_found_before_listening_leaves_no_case_behind(tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        main(["listen", str(QUICK), "--pace", "slow"])
    assert (
        main(
            [
                "listen",
                str(QUICK),
                "--json",
                "--model",
                str(tmp_path),
                "--cases",
                str(tmp_path / "c"),
            ]
        )
        == 2
    )
    assert not (tmp_path / "c").exists()


def test_a_channel_that_belongs_to_a_station_says_who_speaks(
    four_calls: Path, tmp_path: Path
) -> None:
    channel = ("--channel", "1=outside")
    heard = run("listen", str(four_calls), "--json", *channel, "--cases", str(tmp_path))
    lines = [json.loads(line) for line in heard.stdout.splitlines()]
    senders = [line["from"] for line in lines if line["kind"] == "utterance"]
    assert senders[0] == "team-leader", "who names himself is believed first"
    assert set(senders[1:]) == {"outside"}


def test_pcm_on_standard_input_is_heard_like_the_file(four_calls: Path, tmp_path: Path) -> None:
    sound, rate = soundfile.read(four_calls, dtype="int16")
    assert rate == 16000
    common = ("--json", "--cases", str(tmp_path))
    piped = run("listen", "-", *common, stdin=sound.tobytes())
    from_the_file = calls(run("listen", str(four_calls), *common))
    assert len(from_the_file) == 4
    assert calls(piped) == from_the_file


def test_a_stereo_file_at_44_100_hz_is_heard_on_the_channel_that_speaks(
    four_calls: Path, tmp_path: Path
) -> None:
    from scipy.signal import resample_poly

    sound, _ = soundfile.read(four_calls)
    wide = resample_poly(sound, 441, 160)
    quiet = np.random.default_rng(1).normal(0, 1e-4, len(wide))
    soundfile.write(tmp_path / "two.wav", np.stack([quiet, wide], axis=1), 44100)
    done = run("listen", str(tmp_path / "two.wav"), "--json", "--cases", str(tmp_path / "cases"))
    spoken = [json.loads(line) for line in done.stdout.splitlines()][:-1]
    assert {line["channel"] for line in spoken if line["call"]} == {2}
    assert len([line for line in spoken if line["call"]]) == 4


def test_without_audio_none_is_written(tmp_path: Path) -> None:
    run("demo", "quick-clip", "--json", "--no-audio", "--cases", str(tmp_path))
    (case,) = tmp_path.iterdir()
    assert sorted(path.name for path in case.iterdir()) == [
        "journal.db",
        "protocol.toml",
        "seals.jsonl",
    ]


def test_a_judged_dialogue_reads_as_a_page_and_as_json(
    capsys: pytest.CaptureFixture[str],
) -> None:
    dialogue = str(DIALOGUES / "orders-overdue.toml")
    assert main(["judge", dialogue]) == 0
    out = capsys.readouterr().out
    assert "not reported done" in out
    assert "overdue" in out
    assert main(["judge", dialogue, "--json"]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert [found["rule"] for found in summary["findings"]] == ["task-overdue"]


def test_check_lists_what_can_be_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "isolation-airway"]) == 0
    out = capsys.readouterr().out
    assert "(give|push) {dose}" in out
    assert "Drugs nurse" in out


def test_check_names_a_word_without_pronunciation(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    own = tmp_path / "own.toml"
    own.write_text(text.replace('spoken = ["bougie"]', 'spoken = ["bougie", "zzyzxq"]'))
    assert main(["check", str(own)]) == 2
    assert "zzyzxq" in capsys.readouterr().err


def test_the_page_of_commands_names_every_command_and_option() -> None:
    told = COMMANDS_PAGE.read_text(encoding="utf-8")
    whole = parser()
    commands = next(a for a in whole._actions if a.metavar == "COMMAND").choices
    assert isinstance(commands, dict)
    for name, command in commands.items():
        assert f"answerback {name}" in told
        for action in command._actions:
            for option in action.option_strings:
                assert option in told or option in ("-h", "--help")


def test_the_readme_opens_with_the_job_and_carries_the_cautions() -> None:
    told = README.read_text(encoding="utf-8")
    assert told.index("closed door") < told.index("Cautions") < told.index("Two commands")
    for caution in ("not a medical device", "no alarm system", "local policy", "never suggests"):
        assert caution in told
