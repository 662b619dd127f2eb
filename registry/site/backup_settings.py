"""Settings of backups: who can open them, and where they are put together."""

from pathlib import Path

from environs import FileAwareEnv

env = FileAwareEnv()

# Public keys of age, separated by commas: whoever has the private key of one of them opens a backup.
BACKUP_RECIPIENTS: list[str] = env.list("BACKUP_RECIPIENTS", [])


def work_dir(local_dir: Path) -> Path:
    """Where a backup's parts lie until they are encrypted: as open as the database, so beside it."""
    return Path(env.path("BACKUP_WORK_DIR", local_dir / "backup"))
