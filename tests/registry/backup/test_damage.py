"""A damaged, cut or forged backup is refused before anything is touched."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet

from registry.backup import manifest as manifests
from registry.backup.opening import opened
from registry.backup.refusals import BackupRefused
from registry.backup.restoring import restore
from registry.backup.sealing import encrypt
from tests.registry.backup.conftest import IDENTITIES, RECIPIENTS, Site, backup_of

PLACES = 50


@pytest.fixture
def backup(sqlite_site: Site, tmp_path: Path, settings: Any) -> Path:
    backup_of(sqlite_site, tmp_path / "backup.age", check=False)
    settings.RELEASES_DIR = tmp_path / "releases"
    return tmp_path / "backup.age"


def test_a_flipped_byte_anywhere_is_found(backup: Path, on_sqlite: Site, tmp_path: Path) -> None:
    whole, target = backup.read_bytes(), on_sqlite.fresh()
    dice = random.Random(20260301)  # noqa: S311 - places, not secrets
    # The first and last bytes, and fifty between them.
    places = [0, 40, 100, len(whole) - 1, *(dice.randrange(len(whole)) for _ in range(PLACES))]
    damaged = tmp_path / "damaged.age"
    for place in places:
        changed = bytearray(whole)
        changed[place] ^= 1 << dice.randrange(8)
        damaged.write_bytes(changed)
        _refused(damaged, target, f"byte {place}")
    for cut in (whole[:-1], whole[: len(whole) // 2], whole[:300], b"", whole + b"\0"):
        damaged.write_bytes(cut)
        _refused(damaged, target, f"{len(cut)} bytes")
    assert restore(backup, IDENTITIES, target).name


def _refused(path: Path, target: dict[str, Any], what: str) -> None:
    place = Path(target["NAME"])
    before = sorted(place.parent.iterdir())
    with pytest.raises(BackupRefused, match=r"Nothing was touched\."):
        restore(path, IDENTITIES, target)
    assert sorted(place.parent.iterdir()) == before, what


def test_without_todays_keys_it_is_refused_unless_they_are_lost(
    backup: Path, on_sqlite: Site, settings: Any
) -> None:
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode()]
    with pytest.raises(BackupRefused, match="1 IDENTITY_KEYS, of which 1 opens by none of today's"):
        restore(backup, IDENTITIES, on_sqlite.fresh())
    settings.IDENTITY_INDEX_KEY = "another key of an invented hospital"
    restored = restore(backup, IDENTITIES, on_sqlite.fresh(), without_keys=True)
    assert any("keys reindex" in each for each in restored.to_do)


def test_whoever_has_only_the_public_key_cannot_forge_one(backup: Path, tmp_path: Path) -> None:
    """Another manifest beside true seals, and seals of a key of one's own."""
    parts = _parts(backup, tmp_path)
    told = json.loads(parts["manifest.json"].read_bytes())
    told["parts"] = {}
    parts["manifest.json"].write_text(json.dumps(told))
    with pytest.raises(BackupRefused, match="was altered"):
        opened(_written(parts, tmp_path / "forged.age"), IDENTITIES, _empty(tmp_path / "a"))
    seal = Fernet(Fernet.generate_key()).encrypt(b"mine").decode()
    parts["seals.json"].write_text(json.dumps([seal]))
    with pytest.raises(BackupRefused, match="opens by none"):
        opened(_written(parts, tmp_path / "forged2.age"), IDENTITIES, _empty(tmp_path / "b"))


def test_a_part_that_leads_elsewhere_is_refused(backup: Path, tmp_path: Path) -> None:
    parts = _parts(backup, tmp_path)
    for name in ("../outside", "/etc/outside", "releases/../../outside", "releases/.hidden"):
        path = _written({**parts, name: parts["seals.json"]}, tmp_path / "forged.age")
        with pytest.raises(BackupRefused, match="other parts"):
            opened(path, IDENTITIES, _empty(tmp_path / "c"), without_keys=True)
        path.unlink()
    assert not list(tmp_path.rglob("outside"))


def test_a_part_besides_those_sealed_is_refused(backup: Path, tmp_path: Path) -> None:
    parts = _parts(backup, tmp_path)
    path = _written({**parts, "releases/more.zip": parts["seals.json"]}, tmp_path / "forged.age")
    with pytest.raises(BackupRefused, match=r"releases/more\.zip is not the part that was written"):
        opened(path, IDENTITIES, _empty(tmp_path / "d"))


def test_what_another_release_wrote_is_told_so(backup: Path, tmp_path: Path) -> None:
    parts = _parts(backup, tmp_path)
    told = json.loads(parts["manifest.json"].read_bytes()) | {"version": 2}
    content = json.dumps(told).encode()
    parts["manifest.json"].write_bytes(content)
    parts["seals.json"].write_bytes(manifests.seals_of(content))
    with pytest.raises(BackupRefused, match="no backup that this release reads"):
        opened(_written(parts, tmp_path / "later.age"), IDENTITIES, _empty(tmp_path / "e"))


def _parts(backup: Path, tmp_path: Path) -> dict[str, Path]:
    """The parts of a backup in a folder, by name, in their order."""
    folder = _empty(tmp_path / "parts")
    found = opened(backup, IDENTITIES, folder)
    return {name: folder / name for name in ("manifest.json", "seals.json", *found.parts)}


def _written(parts: dict[str, Path], path: Path) -> Path:
    with path.open("wb") as file:
        encrypt(parts.items(), file, RECIPIENTS)
    return path


def _empty(folder: Path) -> Path:
    inside = folder / str(len(list(folder.glob("*")))) / "in" if folder.exists() else folder / "0" / "in"
    inside.mkdir(parents=True)
    return inside
