"""Settings of the API: what it speaks, how often it may be asked, and how its document is made."""

from typing import Any

from environs import FileAwareEnv

env = FileAwareEnv()

# Requests a minute: of one key, and of one address that shows no valid key.
API_REQUESTS_A_MINUTE = {
    "key": env.int("API_REQUESTS_A_MINUTE", 600),
    "address": env.int("API_REQUESTS_A_MINUTE_WITHOUT_KEY", 60),
}

REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["registry.api.authentication.KeyAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["registry.api.scopes.HasScope"],
    "DEFAULT_THROTTLE_CLASSES": ["registry.api.throttles.ByKey", "registry.api.throttles.ByAddress"],
    "DEFAULT_PARSER_CLASSES": ["registry.api.parsing.PlainJSON"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_METADATA_CLASS": None,
    "EXCEPTION_HANDLER": "registry.api.problems.answer",
    "URL_FORMAT_OVERRIDE": None,
    "COERCE_DECIMAL_TO_STRING": False,
}

SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Rimward API",
    "DESCRIPTION": "The record of meniscal repairs, and what it says, for programs.",
    "VERSION": "1.0.0",
    "OAS_VERSION": "3.1.0",
    "SCHEMA_PATH_PREFIX": "/api/v1/",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_ADD_EXPLICIT_BLANK_NULL_CHOICE": True,
    "SORT_OPERATIONS": False,
    # Lists of codes by their own names, wherever a field of another name, or two lists under one, holds them.
    "ENUM_NAME_OVERRIDES": {
        name: f"registry.vocabulary.{name}"
        for name in (
            "Answer",
            "LigamentState",
            "HealingClass",
            "LookReason",
            "EndReason",
            "GivenUpReason",
            "ComplicationKind",
            "CorrectionKind",
        )
    }
    | {"ReleaseKind": "outcomes.models.release.LedgerKind"},
}
