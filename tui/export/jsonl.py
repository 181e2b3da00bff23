"""JSON lines: the case, each line of its log in the headless contract, and the summary last."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from grammar.reports.summary import summary_json, utterance_json
from tui.export.exported_case import CAUTION, ExportedCase, Line


def write(case: ExportedCase) -> str:
    """Return the case as text, one JSON object a line (RFC 8259)."""
    return "".join(f"{json.dumps(one, ensure_ascii=False)}\n" for one in _objects(case))


def _objects(case: ExportedCase) -> Iterator[dict[str, Any]]:
    started = case.started
    yield {
        "kind": "export",
        "case": case.name,
        "protocol": case.protocol.protocol.id,
        "wall": started.wall if started else "",
        "weight_kg": started.weight_kg if started else None,
        "engine": started.engine if started else "",
        "told": case.counts(),
        "checked": case.checked,
        "drill": case.view.drill,
        "caution": CAUTION,
    }
    for line in case.lines:
        if line.kind != "finding":  # those stand in the summary
            yield _line(line)
    yield summary_json(case.view)


def _line(line: Line) -> dict[str, Any]:
    standing = {"unsure": line.unsure, "amended": line.amended, "withdrawn": line.withdrawn}
    if line.said is not None:
        heard_as = {"heard_as": line.heard_as} if line.amended else {}
        return {**utterance_json(line.said), **standing, **heard_as}
    times = {"seq": line.seq, "t": round(line.t, 2), "until": round(line.until, 2)}
    told = {"kind": line.kind, **times, "text": line.text}
    return {**told, **standing} if line.kind in ("utterance", "entered") else told
