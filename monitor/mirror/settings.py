"""The `[[mirror]]` table: which server, what goes there, how it is compared."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from monitor.mirror.export import Export
from monitor.mirror.flux import Flux
from monitor.mirror.influxql import InfluxQl
from monitor.mirror.points import What
from monitor.mirror.read_back import NoReadBack
from monitor.mirror.trouble import Trouble
from monitor.plant.addresses import web_address
from monitor.plant.fields import DurationMs, Id, PositiveDurationMs, Table, TrustedFile
from monitor.plant.secret import Secret, one_of

AnyReadBack = Flux | InfluxQl | Export | NoReadBack


class Mirror(Table):
    """An InfluxDB-compatible server that gets a copy of what the store keeps."""

    id: Annotated[
        Id, Field(description="what status and messages call it; its ledger's file bears this name")
    ]
    url: Annotated[
        str,
        AfterValidator(web_address),
        Field(description="address of the server, without /api/v2/write; http only inside the shop"),
    ]
    bucket: Annotated[
        str,
        Field(min_length=1, description="where points go; database/retention-policy for an InfluxDB 1.8"),
    ]
    org: Annotated[
        str, Field(description="the organisation, which an InfluxDB 2 wants; others do not look at it")
    ] = ""
    token_file: Annotated[
        str | None,
        Field(description="file that holds the token, relative to the site file; user:password for a 1.8"),
    ] = None
    token_env: Annotated[str | None, Field(description="environment variable that holds the token")] = None
    ca_file: TrustedFile = None
    timeout: Annotated[PositiveDurationMs, Field(le=300_000, description="longest wait for an answer")] = (
        20_000
    )
    what: Annotated[
        tuple[What, ...], Field(min_length=1, description="what goes there: readings, alarms, health")
    ] = ("readings", "alarms", "health")
    since: Annotated[
        date | None,
        Field(description="the first day that goes there, in the shop's time; all there is where left out"),
    ] = None
    every: Annotated[
        DurationMs, Field(ge=1_000, le=3_600_000, description="how often to look for what is new")
    ] = 30_000
    read_back: Annotated[
        AnyReadBack,
        Field(discriminator="kind", description="how the server is asked what it kept"),
    ]
    compare_after: Annotated[
        tuple[PositiveDurationMs, ...],
        Field(
            min_length=1,
            max_length=4,
            description="how long after an acknowledgement the server is asked whether it kept the points, "
            "one look for each, shortest first",
        ),
    ] = (600_000, 86_400_000)
    tell_after: Annotated[
        PositiveDurationMs, Field(description="somebody is told when it has failed for so long")
    ] = 3_600_000

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Mirror:
        if self.token_file is not None or self.token_env is not None:
            one_of("token", self.token_file, self.token_env)
        if list(self.compare_after) != sorted(set(self.compare_after)):
            raise ValueError("compare_after: durations that rise, the shortest first")
        return self

    @property
    def label(self) -> str:
        return f'mirror "{self.id}"'

    def token(self, folder: Path, environ: Mapping[str, str]) -> Secret | None:
        """Where the token is kept; None for a server that wants none."""
        if self.token_file is None and self.token_env is None:
            return None
        return Secret("token", self.token_file, self.token_env, folder, environ)

    def tls(self, folder: Path) -> ssl.SSLContext:
        """Verified TLS: by the system's authorities, or only by those of `ca_file`.

        Raises: Trouble naming the file when it cannot be read as PEM.
        """
        try:
            return ssl.create_default_context(cafile=self.ca_file and str(folder / self.ca_file))
        except OSError as error:  # ssl.SSLError is one
            reason = error.strerror or str(error)
            raise Trouble(f'ca_file = "{self.ca_file}" cannot be used: {reason}') from error

    def mistakes(self, folder: Path, environ: Mapping[str, str]) -> list[str]:
        """What can be told to be wrong without asking the server."""
        secret = self.token(folder, environ)
        found = [] if secret is None else secret.mistakes()
        try:
            self.tls(folder)
        except Trouble as wrong:
            found.append(str(wrong))
        return found
