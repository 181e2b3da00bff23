"""A network fitted to a team is as private as its voices, and gone for good with the first of them."""

from __future__ import annotations

import stat
from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from listener.storage.passphrase import new_lock
from listener.storage.purge import FITTED, personal_files, purge
from listener.team.fitted_store import (
    FittedNetwork,
    fitted_for,
    fitted_of_case,
    forget_fitted_of_case,
    forget_in_fitted,
    keep_fitted,
    keep_fitted_for_case,
)
from tests.support.kept_cases import WALL, begin, end

WEIGHTS = np.random.default_rng(11).bytes(50_000)


def fitted(*names: str, network: bytes = WEIGHTS) -> FittedNetwork:
    return FittedNetwork(names=names, shipped="base", before=11, after=14, of=22, network=network)


def every_byte(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file())


def test_a_kept_network_is_private_and_serves_who_is_here_of_its_team(tmp_path: Path) -> None:
    folder = tmp_path / "data" / "voices"
    keep_fitted(folder, fitted("Kim", "Lee", "Max"))
    keep_fitted(folder, fitted("Kim", "Lee", network=b"pair"))
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in folder.iterdir())
    assert not any("kim" in path.name.lower() for path in folder.iterdir())
    pair, three = (fitted_for(folder, names, "base") for names in (["lee", "Kim"], ["Max", "Kim"]))
    assert pair and pair.network == b"pair"
    assert three and three.network == WEIGHTS
    assert fitted_for(folder, ["Kim", "Nobody"], "base") is None
    assert fitted_for(folder, [], "base") is None
    # Another network ships by now: what was made of the old one is not used.
    assert fitted_for(folder, ["Kim"], "newer") is None


def test_who_is_forgotten_takes_every_network_along(tmp_path: Path) -> None:
    keep_fitted(tmp_path, fitted("Kim", "Lee"))
    keep_fitted(tmp_path, fitted("Lee", "Max", network=b"others"))
    inode = next(path for path in tmp_path.iterdir() if WEIGHTS in path.read_bytes())
    (tmp_path / "link").hardlink_to(inode)
    assert forget_in_fitted(tmp_path, " kim ")
    assert not forget_in_fitted(tmp_path, "Kim")
    # Also where something else still holds the file's blocks: it was written over.
    assert WEIGHTS[:64] not in every_byte(tmp_path)
    assert b"others" in every_byte(tmp_path)


def test_one_kept_with_a_passphrase_is_in_no_byte_and_goes_with_its_own_members_only(
    tmp_path: Path,
) -> None:
    keep_fitted(tmp_path, fitted("Kim", "Lee"), new_lock("open sesame"))
    assert WEIGHTS[:64] not in every_byte(tmp_path)
    assert fitted_for(tmp_path, ["Kim"], "base") is None
    assert fitted_for(tmp_path, ["Kim"], "base", "another") is None
    assert fitted_for(tmp_path, ["Kim"], "base", "open sesame") == fitted("Kim", "Lee")
    assert not forget_in_fitted(tmp_path, "Max")
    assert forget_in_fitted(tmp_path, "LEE")
    assert not list(tmp_path.iterdir())


def test_one_that_cannot_be_read_is_told_and_goes_with_anybody(tmp_path: Path) -> None:
    keep_fitted(tmp_path, fitted("Kim"))
    (path,) = tmp_path.iterdir()
    path.write_bytes(b"{}\n")
    with pytest.raises(UserError, match="cannot be read as a network"):
        fitted_for(tmp_path, ["Kim"], "base")
    assert forget_in_fitted(tmp_path, "Lee")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("passphrase", [None, "four words of chance"])
def test_a_case_s_network_is_locked_where_the_case_is_and_purged(
    tmp_path: Path, passphrase: str | None
) -> None:
    journal = begin(tmp_path, passphrase)
    keep_fitted_for_case(journal.folder, journal.keys, fitted("outside", "anteroom"))
    assert (WEIGHTS[:64] in every_byte(journal.folder)) == (passphrase is None)
    assert fitted_of_case(journal.folder, journal.keys) == fitted("outside", "anteroom")
    assert journal.folder / FITTED in personal_files(journal.folder)
    (tmp_path / "same-blocks").hardlink_to(journal.folder / FITTED)
    assert purge(journal, WALL) == 1
    assert fitted_of_case(journal.folder, journal.keys) is None
    assert set((tmp_path / "same-blocks").read_bytes()) == {0}
    end(journal)


def test_it_goes_when_its_case_ends(tmp_path: Path) -> None:
    keep_fitted_for_case(tmp_path, None, fitted("outside"))
    forget_fitted_of_case(tmp_path)
    forget_fitted_of_case(tmp_path)
    assert not list(tmp_path.iterdir())
