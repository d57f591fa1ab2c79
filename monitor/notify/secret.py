"""Secrets of a way of delivery: one that is not there now may be there when it is tried again."""

from __future__ import annotations

from monitor.notify.failures import Temporary
from monitor.plant import secret


class Secret(secret.Secret):
    """Where one secret is kept; it is read anew for every delivery."""

    def read(self) -> str:
        """The secret.

        Raises: Temporary, naming the key and the place, when it is not there or empty.
        """
        try:
            return super().read()
        except secret.SecretMissing as missing:
            raise Temporary(str(missing)) from missing
