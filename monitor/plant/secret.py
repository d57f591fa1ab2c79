"""Passwords and signing keys: never in the site file, but in a file of their own or in the environment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


class SecretMissing(Exception):
    """A secret is not where the site file says; the text names the key and the place."""


@dataclass(frozen=True, slots=True)
class Secret:
    """Where one secret is kept: exactly one of file and variable. Read anew each time, so that a changed one
    counts without a restart."""

    key: str  # its name in the site file: `password`, `secret`
    file: str | None
    variable: str | None
    folder: Path
    environ: Mapping[str, str] = field(repr=False)

    def read(self) -> str:
        """The secret.

        Raises: SecretMissing, naming the key and the place, when it is not there or empty.
        """
        found = self._from_file(self.file) if self.file is not None else self._from_environment()
        if not found:
            raise SecretMissing(f"{self._place} is empty; it should hold the {self.key}")
        return found

    def mistakes(self) -> list[str]:
        """What is wrong with it now, in words; empty when it can be read."""
        try:
            Secret.read(self)
        except SecretMissing as wrong:
            return [str(wrong)]
        return []

    @property
    def _place(self) -> str:
        if self.file is not None:
            return f'{self.key}_file = "{self.file}"'
        return f'{self.key}_env = "{self.variable}"'

    def _from_file(self, file: str) -> str:
        try:
            return (self.folder / file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
            raise SecretMissing(f"{self._place} cannot be read: {why}") from error

    def _from_environment(self) -> str:
        if self.variable is None or self.variable not in self.environ:
            raise SecretMissing(f"{self._place} is not set in the environment")
        return self.environ[self.variable]


def one_of(key: str, file: str | None, variable: str | None) -> None:
    """Hold a model to exactly one place for a secret.

    Raises: ValueError naming both keys.
    """
    if (file is None) == (variable is None):
        raise ValueError(f"give exactly one of {key}_file and {key}_env")
