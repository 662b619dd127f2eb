"""docker-compose.yml as the tests read it: what it starts, with which environment, out of which image."""

import re
from typing import Any

import yaml
from django.conf import settings

TEXT = (settings.BASE_DIR / "docker-compose.yml").read_text()
FILE: dict[str, Any] = yaml.safe_load(TEXT)
SERVICES: dict[str, Any] = FILE["services"]
DOCKERFILE: str = SERVICES["site"]["build"]["dockerfile_inline"]

REQUIRED = re.compile(r"\$\{(\w+):\?[^}]+\}")


def environment(service: str, values: dict[str, str]) -> dict[str, str]:
    """The environment a service starts with when a person gave these values."""
    given = SERVICES[service]["environment"]
    return {name: REQUIRED.sub(lambda found: values[found[1]], text) for name, text in given.items()}


def build_step(words: str) -> str:
    """The one RUN step of the image that holds these words, as a shell command."""
    steps = [line for line in DOCKERFILE.replace("\\\n", " ").splitlines() if line.startswith("RUN ")]
    (found,) = [step.removeprefix("RUN ") for step in steps if words in step]
    return found
