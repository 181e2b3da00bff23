"""Work on many things at once: on this machine's cores, or on a Dask cluster that stands already."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import as_completed as completed_here
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Generic, TypeVar

from grammar.errors import UserError

T = TypeVar("T")
R = TypeVar("R")

PATIENCE_S = 10.0
"""How long a cluster may take to answer."""

FEW = 4
"""So few are done sooner here than processes are started."""


@dataclass(frozen=True, slots=True)
class Done(Generic[T, R]):
    """The outcome of one item: its result, or in words why there is none."""

    item: T
    result: R | None
    failure: str = ""


def spread(
    work: Callable[[T], R], items: Sequence[T], what: str, cluster: str | None = None
) -> Iterator[Done[T, R]]:
    """Do `work`, a function of a module, to every item; each comes as it is done, in no order.

    Progress, named `what`, goes to standard error. `cluster` is the address of a Dask scheduler, whose
    workers have answerback and see the same folders. One item that fails does not stop the others.
    Raises UserError where the cluster cannot be reached.
    """
    if cluster is not None:
        found = _on_cluster(partial(_try, work), items, cluster)
    elif len(items) < FEW or (os.cpu_count() or 1) == 1:
        found = map(partial(_try, work), items)
    else:
        found = _on_cores(partial(_try, work), items)
    with _progress(what, len(items)) as step:
        for done in found:
            step()
            yield done


def _try(work: Callable[[T], R], item: T) -> Done[T, R]:
    try:
        return Done(item, work(item))
    except UserError as error:
        return Done(item, None, str(error))
    except Exception as error:
        # A damaged thing may fail in any way; it is named, and the others are still done.
        first = (str(error).splitlines() or [""])[0]
        return Done(item, None, f"{type(error).__name__}: {first}")


def _on_cores(work: Callable[[T], Done[T, R]], items: Sequence[T]) -> Iterator[Done[T, R]]:
    with ProcessPoolExecutor(min(os.cpu_count() or 1, len(items))) as pool:
        futures = [pool.submit(work, item) for item in items]
        try:
            for future in completed_here(futures):
                yield future.result()
        finally:
            for future in futures:
                future.cancel()


def _on_cluster(
    work: Callable[[T], Done[T, R]], items: Sequence[T], address: str
) -> Iterator[Done[T, R]]:
    try:
        from distributed import Client, as_completed  # noqa: PLC0415
    except ImportError:
        raise UserError(
            "a cluster needs Dask: install answerback with its extra `cluster`"
        ) from None
    try:
        client = Client(address, timeout=PATIENCE_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise UserError(f"no Dask scheduler answers at {address} ({error})") from None
    with client:
        futures = client.map(work, items, pure=False)
        for _, done in as_completed(futures, with_results=True):  # type: ignore[no-untyped-call]
            yield done


@contextmanager
def _progress(what: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar on standard error where somebody watches, else nothing; gives what to call at each step."""
    from rich.console import Console  # noqa: PLC0415  (Textual's own)
    from rich.progress import (  # noqa: PLC0415
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(
        *columns, console=Console(file=sys.stderr), transient=True, disable=total < FEW
    ) as bar:
        task = bar.add_task(what, total=total)
        yield lambda: bar.advance(task)
