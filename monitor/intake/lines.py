"""Lines of text from bytes, and what a line says: no port needed."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from monitor.intake.checksums import crc16_modbus, sum8, xor
from monitor.intake.decoded import Decoded, Origin, Refusal, said, shortened, time_from
from monitor.intake.serial_settings import Wire
from monitor.plant.channel import Channel
from monitor.readings import Count, Status


class LineBuffer:
    """Whole lines out of bytes that come in any pieces. A line without its delimiter is never given out."""

    def __init__(self, delimiter: bytes, max_line: int) -> None:
        self._delimiter = delimiter
        self._max_line = max_line
        self._pending = b""
        self._skipping = False
        self.too_long = 0  # lines dropped for their length since the start

    @property
    def pending(self) -> bytes:
        """The beginning of a line whose end has not come."""
        return self._pending

    def skip(self) -> None:
        """Forget what is pending and drop everything up to the next delimiter."""
        self._pending = b""
        self._skipping = True

    def feed(self, received: bytes) -> list[bytes]:
        """The lines completed by these bytes, without their delimiter."""
        *whole, self._pending = (self._pending + received).split(self._delimiter)
        if whole and self._skipping:
            self._skipping = False
            del whole[0]
        kept = [line for line in whole if len(line) <= self._max_line]
        self.too_long += len(whole) - len(kept)
        if len(self._pending) > self._max_line + len(self._delimiter):
            self.too_long += not self._skipping
            # The delimiter's first byte may be the last one here.
            self._pending = self._pending[-(len(self._delimiter) - 1) :] if len(self._delimiter) > 1 else b""
            self._skipping = True
        return kept


_CHECKSUMS: dict[str, Callable[[bytes], int]] = {"xor": xor, "sum8": sum8, "crc16-modbus": crc16_modbus}


class LineReader:
    """One instrument's reading of lines, by its wire's settings."""

    def __init__(self, wire: Wire, encoding: str, channels: Sequence[Channel]) -> None:
        self.wire = wire
        self._encoding = encoding
        self._channels = {channel.id: channel for channel in channels}
        self._pattern = re.compile(wire.pattern)

    def read(self, line: str, origin: Origin) -> Decoded | None:
        """What a line says to this instrument; None when the line is not of its pattern."""
        match = self._pattern.fullmatch(line)
        if match is None:
            return None
        if self.wire.checksum is not None and not self._proven(match, self.wire.checksum):
            return Decoded(problems=(origin.count("bad-checksum", shortened(line)),))
        values: dict[str, float] = {}
        statuses: dict[str, Status] = {}
        problems: list[Count] = []
        for channel, group in self.wire.values.items():
            text = match[group]
            if text is None:
                problems.append(
                    origin.count("missing-value", f"no {group} for {channel} in {shortened(line)}")
                )
                continue
            heard = said(text, self.wire, self._channels[channel])
            if isinstance(heard, Refusal):
                problems.append(origin.count(heard.what, f"{channel}: {heard.detail}"))
            else:
                values[channel], statuses[channel] = heard
        return Decoded(values, self._time(match, origin, problems), tuple(problems), statuses)

    def _time(self, match: re.Match[str], origin: Origin, problems: list[Count]) -> int | None:
        if self.wire.time is None:
            return None
        found = match[self.wire.time]
        if found is None:
            problems.append(origin.count("missing-time", shortened(match.string)))
            return None
        time_ms = time_from(found, self.wire.time_unit)
        if isinstance(time_ms, Refusal):
            problems.append(
                origin.count(time_ms.what, f"{time_ms.detail} is no time in {self.wire.time_unit}")
            )
            return None
        return time_ms

    def _proven(self, match: re.Match[str], checksum: str) -> bool:
        groups = match.groupdict()
        checked = groups.get("checked")
        if checked is None:
            checked = match.string[: match.start("checksum")]
        try:
            told = int(groups["checksum"] or "", 16)
        except ValueError:
            return False
        return _CHECKSUMS[checksum](checked.encode(self._encoding)) == told
