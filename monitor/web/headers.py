"""What every page says to the browser about itself."""

from __future__ import annotations

# Nothing from outside, nothing inline: the page cannot be made to load or run anything else.
_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; frame-ancestors 'none'; "
    "form-action 'self'; base-uri 'none'"
)
# An address with a token in it is told to nobody: neither kept nor sent along as where one came from.
HEADERS = {
    "content-security-policy": _POLICY,
    "cache-control": "no-store",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}
