"""Fuzz what reads files from strangers, guided by coverage (atheris).

    python -m tests.tools.fuzz [--inputs 100000] [TARGET ...]

prints for each target how many inputs it took and survived. Exit code 1 where one did not.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path


def one(name: str, inputs: int, corpus: str) -> None:
    """Fuzz one target in this process, which ends with it."""
    import atheris

    with atheris.instrument_imports(include=["grammar", "listener", "tui"]):
        from tests.support.fuzzing import TARGETS
    target = TARGETS[name]
    for number, seed in enumerate(target.seeds()):
        (Path(corpus) / f"seed-{number}").write_bytes(seed)
    options = [f"-runs={inputs}", f"-max_len={target.longest}", "-timeout=20", "-rss_limit_mb=4096"]
    atheris.Setup([sys.argv[0], *options, "-verbosity=1", corpus], target.run)
    atheris.Fuzz()


def main() -> int:
    """Each target in a process of its own, one after the other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("targets", nargs="*", metavar="TARGET")
    parser.add_argument("--here", metavar="CORPUS", help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.here:
        # What is fuzzed must not have been imported before: atheris writes its counters into it.
        one(wanted.targets[0], wanted.inputs, wanted.here)
    from tests.support.fuzzing import TARGETS

    failed = 0
    for name in wanted.targets or list(TARGETS):
        with tempfile.TemporaryDirectory(prefix="fuzz-") as corpus:
            command = [
                sys.executable,
                "-m",
                "tests.tools.fuzz",
                "--here",
                corpus,
                "--inputs",
                str(wanted.inputs),
                name,
            ]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        counted = re.search(r"Done (\d+) runs in (\d+) second", done.stdout + done.stderr)
        if counted and done.returncode == 0:
            print(f"{name}: {counted[1]} inputs in {counted[2]} s, none did harm", flush=True)
        else:
            failed += 1
            print(f"{name}: FAILED\n{(done.stdout + done.stderr)[-4000:]}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
