"""What a key is for: a request needs its scope, besides what the person of the key may do."""

from typing import Any

from rest_framework.exceptions import NotAuthenticated
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from registry.api.problems import Refused
from registry.models import AccessKey
from registry.vocabulary import Scope


class HasScope(BasePermission):
    """The key holds the scope that the view names for this method; refused by name when it does not."""

    def has_permission(self, request: Request, view: Any) -> bool:
        needed = scope_of(view, request.method or "")
        if needed is None:
            return True
        key = request.auth
        if not isinstance(key, AccessKey):
            raise NotAuthenticated
        if needed not in key.scopes:
            raise Refused(
                "scope_lacking",
                f"This needs the scope '{needed.value}', which the key does not have. Make a key with it.",
            )
        return True


def scope_of(view: Any, method: str) -> Scope | None:
    """The scope that a method of a view needs: its `write_scope` to change anything, else its `read_scope`.

    A method that only reads though it is sent a body stands in the view's `reads`.
    """
    reads = method in SAFE_METHODS or method in view.reads
    scope: Scope | None = view.read_scope if reads else view.write_scope
    return scope
