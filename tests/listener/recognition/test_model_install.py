"""A published model is installed whole or not at all; the publisher is a server on this machine."""

from __future__ import annotations

import io
import json
import threading
import zipfile
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import vosk

from tui.cli import main

NAME = "vosk-model-small-xx-0.1"


def archive(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as zipped:
        for name in names:
            zipped.writestr(name, b"\0" * 5000)
    return out.getvalue()


WHOLE = archive(f"{NAME}/am/final.mdl", f"{NAME}/graph/words.txt")


class Publisher:
    """Gives a list of models and one archive, `body`, of which it sends `sent` bytes."""

    def __init__(self) -> None:
        self.body, self.sent = WHOLE, len(WHOLE)
        self.asked: list[str] = []
        listed = [
            {"name": NAME, "lang": "xx", "type": "small", "obsolete": "false", "size_text": "9KiB"},
            {"name": "vosk-model-xx-0.0", "lang": "xx", "type": "big", "obsolete": "true"},
            {"name": "../../evil", "lang": "xx", "type": "small", "obsolete": "false"},
        ]
        publisher = self

        class Answer(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                publisher.asked.append(self.path)
                is_list = self.path.endswith("model-list.json")
                body = json.dumps(listed).encode() if is_list else publisher.body
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body if is_list else body[: publisher.sent])

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
        self.url = f"http://127.0.0.1:{self.server.server_port}/"

    def gives(self, body: bytes, sent: int | None = None) -> None:
        self.body, self.sent = body, len(body) if sent is None else sent


@pytest.fixture
def publisher(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Publisher]:
    found = Publisher()
    thread = threading.Thread(target=found.server.serve_forever)
    thread.start()
    monkeypatch.setattr(vosk, "MODEL_PRE_URL", found.url)
    monkeypatch.setattr(vosk, "MODEL_LIST_URL", found.url + "model-list.json")
    monkeypatch.setenv("VOSK_MODEL_PATH", str(tmp_path / "models"))
    yield found
    found.server.shutdown()
    thread.join()
    found.server.server_close()


def left(tmp_path: Path) -> list[str]:
    return sorted(path.name for path in (tmp_path / "models").iterdir())


def test_a_model_is_installed_by_language_and_then_listed(
    publisher: Publisher, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["model", "--install", "xx"]) == 0
    assert left(tmp_path) == [NAME]
    assert (tmp_path / "models" / NAME / "am" / "final.mdl").stat().st_size == 5000
    told = capsys.readouterr()
    assert NAME in told.out
    assert "%" in told.err, "progress"
    assert main(["model"]) == 0
    assert f"{NAME}  xx  {tmp_path / 'models' / NAME}" in capsys.readouterr().out


def test_only_current_models_with_a_decent_name_are_offered(
    publisher: Publisher, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["model", "--published"]) == 0
    assert capsys.readouterr().out == f"{NAME}  xx  9KiB\n"


def test_a_download_that_breaks_off_leaves_nothing_and_is_begun_anew(
    publisher: Publisher, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    publisher.gives(WHOLE, sent=len(WHOLE) // 2)
    assert main(["model", "--install", NAME]) == 2
    assert "run the same command again" in capsys.readouterr().err
    assert left(tmp_path) == []
    publisher.gives(WHOLE)
    assert main(["model", "--install", NAME]) == 0
    assert left(tmp_path) == [NAME]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"no archive at all", "broken"),
        (WHOLE[:400] + b"x" * 50 + WHOLE[450:], "broken"),
        (archive(f"{NAME}/am/final.mdl", "../evil.txt"), "outside"),
        (archive(f"{NAME}/am/final.mdl", "/etc/evil"), "outside"),
        (archive(f"{NAME}/README"), "no model"),
    ],
    # Not the archives themselves, whose times differ from one process of the tests to the other.
    ids=["no-archive", "damaged", "above-the-folder", "elsewhere", "no-model"],
)
def test_an_archive_that_is_not_as_it_should_be_is_thrown_away(
    body: bytes,
    says: str,
    publisher: Publisher,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    publisher.gives(body)
    assert main(["model", "--install", NAME]) == 2
    assert says in capsys.readouterr().err
    assert left(tmp_path) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["models"]


def test_what_a_killed_run_left_is_cleared_by_the_next(
    publisher: Publisher, tmp_path: Path
) -> None:
    half = tmp_path / "models" / ".answerback-fetching-old" / "part.zip"
    half.parent.mkdir(parents=True)
    half.write_bytes(b"half")
    assert main(["model", "--install", NAME]) == 0
    assert left(tmp_path) == [NAME]


def test_a_model_that_is_there_is_not_fetched_again(
    publisher: Publisher, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["model", "--install", NAME]) == 0
    assert main(["model", "--install", NAME]) == 2
    assert "already" in capsys.readouterr().err
    assert len([path for path in publisher.asked if path.endswith(".zip")]) == 1


def test_without_a_network_one_sentence_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(vosk, "MODEL_LIST_URL", "http://127.0.0.1:9/model-list.json")
    assert main(["model", "--install", "ko"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "The list of published models cannot be reached: this needs a connected machine."
    ]


def test_a_language_that_nobody_published_is_named(
    publisher: Publisher, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["model", "--install", "qq"]) == 2
    assert "“qq”" in capsys.readouterr().err
