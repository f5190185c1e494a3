"""A raw log to be read: its bytes, its name, how, and for whom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from pipeline.readers.pieces import ReadNotes
from pipeline.readers.streams import ByteStream
from schemas.registers import Channel, Layout


@dataclass(frozen=True)
class Source:
    """`exact`: everything is read as text by the plain rules, without the compiled loops."""

    stream: ByteStream
    name: str
    layout: Layout
    channels: Mapping[str, Channel]
    site_zone: ZoneInfo
    piece_bytes: int
    exact: bool
    notes: ReadNotes

    def zone(self) -> ZoneInfo:
        """The zone that local times of the log are in."""
        zone = self.layout.time.zone
        return self.site_zone if zone == "site" else ZoneInfo(zone)

    def last_line_counts(self) -> bool:
        """Whether a last line that nothing ends is whole all the same."""
        return not (self.layout.text.final_newline or self.stream.ends_early)

    def note_early_end(self) -> None:
        """Once all is read: say so if a compressed stream was cut off."""
        if self.stream.ends_early:
            self.notes.texts.append("the compressed stream ends early: what followed its last line is not here")
