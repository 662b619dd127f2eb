"""Settings of what goes over the line: how large a body may be, what a browser may do, what the log tells."""

from typing import Any

from environs import FileAwareEnv, validate

from registry.site.logging_settings import logging_settings

__all__ = [
    "DATA_UPLOAD_MAX_MEMORY_SIZE",
    "DATA_UPLOAD_MAX_NUMBER_FIELDS",
    "DATA_UPLOAD_MAX_NUMBER_FILES",
    "FILE_UPLOAD_HANDLERS",
    "FILE_UPLOAD_MAX_MEMORY_SIZE",
    "LOGGING",
    "LOGGING_CONFIG",
    "LOG_LEVEL",
    "PERMISSIONS_POLICY",
    "SECURE_CROSS_ORIGIN_OPENER_POLICY",
]

env = FileAwareEnv()
_PRODUCTION = env.str("RIMWARD_MODE", "local") == "production"

# Of a form without files; no page comes near it. Only Intake takes a file, by a handler of its own, and no
# handler here writes to disk, where identities would lie unsealed.
DATA_UPLOAD_MAX_MEMORY_SIZE = FILE_UPLOAD_MAX_MEMORY_SIZE = 2_500_000
DATA_UPLOAD_MAX_NUMBER_FIELDS = 1000
DATA_UPLOAD_MAX_NUMBER_FILES = 1
FILE_UPLOAD_HANDLERS = ["django.core.files.uploadhandler.MemoryFileUploadHandler"]

SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
# No page needs any of it. Features that Chromium does not know are left out, since it warns of them.
PERMISSIONS_POLICY: dict[str, Any] = {
    feature: []
    for feature in (
        "accelerometer",
        "autoplay",
        "browsing-topics",
        "camera",
        "clipboard-read",
        "clipboard-write",
        "display-capture",
        "encrypted-media",
        "fullscreen",
        "gamepad",
        "geolocation",
        "gyroscope",
        "hid",
        "idle-detection",
        "keyboard-map",
        "local-fonts",
        "magnetometer",
        "microphone",
        "midi",
        "otp-credentials",
        "payment",
        "picture-in-picture",
        "publickey-credentials-create",
        "publickey-credentials-get",
        "screen-wake-lock",
        "serial",
        "storage-access",
        "sync-xhr",
        "usb",
        "window-management",
        "xr-spatial-tracking",
    )
}

# The line of each request is of level INFO.
LOG_LEVEL: str = env.str(
    "LOG_LEVEL",
    "INFO" if _PRODUCTION else "WARNING",
    validate=validate.OneOf(["DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL"]),
)
LOGGING = logging_settings(LOG_LEVEL)
LOGGING_CONFIG = "registry.site.logging_settings.configure"
