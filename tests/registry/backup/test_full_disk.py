"""No room where a backup is to lie: refused, nothing half stands there, and with room again it is made."""

import errno
from pathlib import Path

import pytest

from tests.faults.room import FILLER, fill, make_room, small_disk
from tests.registry.backup.conftest import Site, backup_of


def test_a_full_disk_gets_no_half_backup(sqlite_site: Site, tmp_path: Path) -> None:
    with small_disk(tmp_path / "small") as disk:
        fill(disk)
        with pytest.raises(OSError, match="No space left") as refused:
            backup_of(sqlite_site, disk / "backup.age", check=False)
        assert refused.value.errno == errno.ENOSPC
        assert [each.name for each in disk.iterdir()] == [FILLER]
        make_room(disk)
        backup_of(sqlite_site, disk / "backup.age", check=False)
        assert [each.name for each in disk.iterdir()] == ["backup.age"]
