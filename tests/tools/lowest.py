"""The oldest version of each package that answerback runs on, as constraints.

python -m tests.tools.lowest
"""

from __future__ import annotations

import re
import tomllib

from tests.support.places import ROOT


def requirements() -> list[str]:
    """What the project needs to run, extras for tests, training and fuzzing aside."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras["cox"], *extras["plot"], *extras["web"]]
    return [one.partition(";")[0].strip() for one in wanted]


if __name__ == "__main__":
    for one in requirements():
        print(re.sub(r">=([^,]+).*", r"==\1", one))
