"""A generator of codes as a phone has it, written from the text of RFC 4226 and RFC 6238 alone."""

import base64
import hashlib
import hmac

STEP_SECONDS = 30

# RFC 6238, appendix B, the rows of SHA-1: seconds since 1970, and a code of eight digits. That of six digits
# is its end, since both are remainders of one number (RFC 4226, section 5.3).
RFC_KEY = base64.b32encode(b"12345678901234567890").decode()
RFC_6238 = {
    59: "94287082", 1111111109: "07081804", 1111111111: "14050471",
    1234567890: "89005924", 2000000000: "69279037", 20000000000: "65353130",
}  # fmt: skip
# RFC 4226, appendix D: codes of the same key by counter, here by step.
RFC_4226 = (
    "755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489",
)  # fmt: skip


def code_at(key: str, seconds: float, digits: int = 6) -> str:
    """The code of a base32 key at a moment."""
    step = int(seconds) // STEP_SECONDS
    tag = hmac.new(base64.b32decode(key), step.to_bytes(8, "big"), hashlib.sha1).digest()
    start = tag[-1] & 0xF
    number = int.from_bytes(tag[start : start + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**digits:0{digits}d}"
