"""Lines of text from bytes, and what a line says: no port needed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.intake.checksums import CHECKSUMS
from monitor.intake.decoded import Decoded, Origin, Refusal, finite, said, shortened, time_from
from monitor.intake.driver import Parcel
from monitor.intake.serial_settings import Wire
from monitor.intake.unit_text import printed_scale
from monitor.plant.channel import Channel
from monitor.readings import Count, Sample, Status

_AT_ITS_ENDS = " \t\r\n\0\x02"  # no part of a line: spaces, what a delimiter leaves, STX


class LineBuffer:
    """Whole lines out of bytes that come in any pieces. A line without its delimiter is never given out."""

    def __init__(self, delimiter: bytes, max_line: int, trailer: int = 0) -> None:
        """`trailer` bytes behind a delimiter belong to the line before it, and so then does the delimiter."""
        self._delimiter = delimiter
        self._max_line = max_line
        self._trailer = trailer
        self._pending = b""
        self._skipping = False
        self.too_long = 0  # lines dropped for their length since the start

    @property
    def pending(self) -> bytes:
        """The beginning of a line whose end has not come."""
        return self._pending

    def skip(self) -> None:
        """Forget what is pending and drop everything up to the end of the line."""
        self._pending = b""
        self._skipping = True

    def feed(self, received: bytes) -> list[bytes]:
        """The lines completed by these bytes, without their delimiter unless a trailer follows it."""
        whole, self._pending = self._cut(self._pending + received)
        if whole and self._skipping:
            self._skipping = False
            del whole[0]
        kept = [line for line in whole if len(line) <= self._max_line]
        self.too_long += len(whole) - len(kept)
        if len(self._pending) > self._max_line + len(self._delimiter) + self._trailer:
            self.too_long += not self._skipping
            # The delimiter's first bytes, or all of it and a part of the trailer, may be the last ones here.
            self._pending = self._pending[-(len(self._delimiter) - 1 + self._trailer) or len(self._pending) :]
            self._skipping = True
        return kept

    def _cut(self, stream: bytes) -> tuple[list[bytes], bytes]:
        if not self._trailer:
            *whole, rest = stream.split(self._delimiter)
            return whole, rest
        lines: list[bytes] = []
        begin = 0
        while (found := stream.find(self._delimiter, begin)) >= 0:
            end = found + len(self._delimiter) + self._trailer
            if end > len(stream):
                break
            lines.append(stream[begin:end])
            begin = end
        return lines, stream[begin:]


class LineReader:
    """One instrument's reading of lines, by its wire's settings."""

    def __init__(self, wire: Wire, encoding: str, channels: Sequence[Channel]) -> None:
        self.wire = wire
        self._encoding = encoding
        self._channels = {channel.id: channel for channel in channels}
        self._pattern = re.compile(wire.pattern, re.DOTALL if self._as_it_is else 0)

    @property
    def _as_it_is(self) -> bool:
        """A checksum of bytes may end in one that looks like a space."""
        return self.wire.checksum is not None and self.wire.checksum_form.startswith("bytes")

    def read(self, line: str, origin: Origin) -> Decoded | None:
        """What a line says to this instrument; None when the line is not of its pattern."""
        match = self._pattern.fullmatch(line if self._as_it_is else line.strip(_AT_ITS_ENDS))
        if match is None:
            return None
        if self.wire.checksum is not None and not self._proven(match, self.wire.checksum):
            return Decoded(problems=(origin.count("bad-checksum", shortened(line)),))
        values: dict[str, float] = {}
        statuses: dict[str, Status] = {}
        problems: list[Count] = []
        # A meter with a line for each quantity has one pattern of alternatives: the others took no part.
        texts = {channel: match[group] for channel, group in self.wire.values.items()}
        said_nothing = all(text is None for text in texts.values())
        for channel, text in texts.items():
            if text is None:
                if said_nothing:
                    detail = f"no {self.wire.values[channel]} for {channel} in {shortened(line)}"
                    problems.append(origin.count("missing-value", detail))
                continue
            heard = self._heard(text, self._channels[channel], match)
            if isinstance(heard, Refusal):
                problems.append(origin.count(heard.what, f"{channel}: {heard.detail}"))
            else:
                values[channel], statuses[channel] = heard
        return Decoded(values, self._time(match, origin, problems), tuple(problems), statuses)

    def _heard(self, text: str, channel: Channel, match: re.Match[str]) -> tuple[float, Status] | Refusal:
        heard = said(text, self.wire, channel)
        bare = text.strip()
        stands_for = bare in self.wire.over_text or bare in self.wire.under_text
        if isinstance(heard, Refusal) or channel.id not in self.wire.units or stands_for:
            return heard
        unit = match[self.wire.units[channel.id]] or ""
        scale = printed_scale(unit, channel)
        if scale is None:
            return Refusal("wrong-unit", f"{shortened(unit)} does not turn into {channel.unit}")
        number = finite(scale.apply(heard[0]))
        return number if isinstance(number, Refusal) else (number, heard[1])

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
        function, size = CHECKSUMS[checksum]
        try:
            told = self._told(groups["checksum"] or "", size)
            return told is not None and function(checked.encode(self._encoding)) == told
        except ValueError:
            return False

    def _told(self, written: str, size: int) -> int | None:
        """The checksum a line gives itself; None when it is not written in its form. May raise ValueError."""
        form = self.wire.checksum_form
        if form == "decimal":
            return int(written) if written.isascii() and written.isdigit() and len(written) <= 10 else None
        if form.startswith("bytes"):
            told = written.encode(self._encoding)
        else:
            told = bytes.fromhex(written.zfill(2 * size)) if written.isalnum() else b""
        if len(told) != size:
            return None
        return int.from_bytes(told, "little" if form.endswith("low-first") else "big")


@dataclass(frozen=True, slots=True)
class Line:
    """What a line says, and to whom."""

    parcel: Parcel
    readers: tuple[LineReader, ...] = ()


def line_from(line: bytes, encoding: str, readers: Sequence[LineReader], origin: Origin) -> Line | None:
    """What a line says to those who listen; None when there is nothing in it."""
    try:
        text = line.decode(encoding)
    except UnicodeDecodeError:
        return Line(Parcel(counts=(origin.count("undecodable-line", shortened(line)),)))
    if not text.strip(_AT_ITS_ENDS):
        return None
    heard = [(reader, found) for reader in readers if (found := reader.read(text, origin)) is not None]
    if not heard:
        return Line(Parcel(counts=(origin.count("unmatched-line", shortened(line)),)))
    samples: list[Sample] = []
    counts: list[Count] = []
    for _, found in heard:
        counts += found.problems
        samples += found.samples(origin.arrival_ms)
    return Line(Parcel(tuple(samples), tuple(counts)), tuple(reader for reader, _ in heard))
