"""How often one address may try a year of birth. Addresses are counted by a keyed digest, never kept.

The address of a request is told by the rule of signing in (`registry.signing_in.lockout.counted_address`).
"""

from datetime import UTC, datetime, timedelta

from django.db.models import F
from django.utils.crypto import salted_hmac

from registry.models import KnockCount

SPAN = timedelta(minutes=10)
MOST_IN_A_SPAN = 30


def may_knock(address: str, now: datetime) -> bool:
    """Count one knock; whether its address stays within the limit. Always the same number of queries."""
    span_s = SPAN.total_seconds()
    since = datetime.fromtimestamp(now.timestamp() // span_s * span_s, UTC)
    digest = salted_hmac("registry.patient_link.knocks", address, algorithm="sha256").hexdigest()
    KnockCount.objects.bulk_create(
        [KnockCount(address_index=digest, since=since)], ignore_conflicts=True
    )  # one statement that two at once can both run
    count = KnockCount.objects.filter(address_index=digest, since=since)
    count.update(knocks=F("knocks") + 1)
    return count.values_list("knocks", flat=True).get() <= MOST_IN_A_SPAN


def forget(now: datetime) -> None:
    """Delete the counts of spans that are over."""
    KnockCount.objects.filter(since__lte=now - SPAN).delete()
