"""How often one may ask: counted by key, and by address for whoever shows no valid one."""

import time
from typing import Any

from django.conf import settings
from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from registry.models import AccessKey
from registry.signing_in.lockout import counted_address


class _AMinute(SimpleRateThrottle):
    """Requests a minute, as the settings say at the time."""

    # By the clock that is never set back: by the other, who had asked often would wait for as long as that.
    timer = time.monotonic

    def get_rate(self) -> str:
        return f"{settings.API_REQUESTS_A_MINUTE[self.scope]}/min"


class ByKey(_AMinute):
    """Every key has a count of its own."""

    scope = "key"

    def get_cache_key(self, request: Request, view: Any) -> str | None:
        return f"api-key-{request.auth.pk}" if isinstance(request.auth, AccessKey) else None


class ByAddress(_AMinute):
    """Without a valid key the address counts, by the rule of signing in, so that guessing is slow."""

    scope = "address"

    def get_cache_key(self, request: Request, view: Any) -> str | None:
        if isinstance(request.auth, AccessKey):
            return None
        return f"api-address-{counted_address(request._request) or 'none'}"
