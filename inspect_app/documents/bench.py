"""What was done at the bench, as printed lines: steps, instruments, methods, evidence, deviations."""

from dataclasses import dataclass
from datetime import UTC

from inspect_app.documents import wording
from inspect_app.documents.paper import Exhibit, Paper
from inspect_app.documents.scale_bar import ScaleBar, scale_bar
from inspect_app.model import Entry, EntryState, Instrument


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLine:
    """One step of the form as it was carried out."""

    title: str
    under: str
    read: str
    instruments: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLine:
    """What was measured with, and on what its trust rests."""

    letter: str
    name: str
    serial: str
    calibration: str
    due: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceLine:
    """One kept file."""

    name: str
    step: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture of the evidence, by the name under which the renderer fetches it."""

    url: str
    caption: str
    bar: ScaleBar | None = None


class Bench:
    """The entries of a paper in the order of its form."""

    def __init__(self, paper: Paper) -> None:
        self._paper = paper
        self._steps = {step.id: step for step in paper.form.steps}
        order = {step_id: place for place, step_id in enumerate(self._steps)}
        entries = paper.inspection.entries.values()
        self.entries = tuple(sorted(entries, key=lambda entry: (order.get(entry.step_id, len(order)), entry.step_id)))
        used = dict.fromkeys(instrument.id for entry in self.entries for instrument in entry.instruments)
        self._letters = {instrument_id: _letter(place) for place, instrument_id in enumerate(used)}

    def step_title(self, step_id: str) -> str:
        """Return a step's title with its condition."""
        step = self._steps.get(step_id)
        if step is None:
            return step_id
        return wording.titled(step.title, step.condition)

    def step_lines(self) -> tuple[StepLine, ...]:
        """Return each step as it was carried out."""
        return tuple(self._step_line(entry) for entry in self.entries)

    def instrument_lines(self) -> tuple[InstrumentLine, ...]:
        """Return each instrument once, with the calibration that counted when it was first used."""
        used: dict[int, tuple[Instrument, Entry]] = {}
        for entry in self.entries:
            for instrument in entry.instruments:
                used.setdefault(instrument.id, (instrument, entry))
        return tuple(
            _instrument_line(self._letters[instrument.id], instrument, entry) for instrument, entry in used.values()
        )

    def evidence_lines(self) -> tuple[EvidenceLine, ...]:
        """Return each kept file once."""
        lines: dict[str, EvidenceLine] = {}
        for entry in self.entries:
            for file in entry.evidence:
                line = EvidenceLine(name=file.name, step=self.step_title(entry.step_id), sha256=file.sha256)
                lines.setdefault(file.sha256, line)
        return tuple(lines.values())

    def pictures(self) -> tuple[Picture, ...]:
        """Return the pictures of the steps that decided, whole and in part, as far as the paper holds them."""
        deciding = {judgement.step_id for judgement in self._paper.verdict.deciding}
        pictures: dict[str, Picture] = {}
        for entry in self.entries:
            for file in entry.evidence:
                if entry.step_id in deciding and file.sha256 in self._paper.thumbnails:
                    caption = f"{self.step_title(entry.step_id)}: {file.name}"
                    pictures.setdefault(file.sha256, Picture(url=f"app:picture/{file.sha256}", caption=caption))
        return (*pictures.values(), *(_cut_out(place, one) for place, one in enumerate(self._paper.exhibits)))

    def methods(self) -> tuple[tuple[str, str], ...]:
        """Return each check that was run, with its method."""
        run = {(entry.measured.check, entry.measured.method): None for entry in self.entries if entry.measured}
        return tuple((wording.name_in_words(check), method) for check, method in run)

    def deviations(self) -> tuple[str, ...]:
        """Return what departed from the procedure or has to be known of a step: each sentence once."""
        told = list(self._paper.deviations)
        done = {entry.step_id for entry in self.entries}
        told += [f"{self.step_title(step_id)}: not carried out." for step_id in self._steps if step_id not in done]
        for entry in self.entries:
            remarks = "; ".join(text.rstrip(".") for text in _remarks(entry))
            told += [f"{self.step_title(entry.step_id)}: {remarks}."] if remarks else []
        return tuple(dict.fromkeys(told))

    def days(self) -> str:
        """Return the day, or the first and last day, of the inspection."""
        moments = [entry.recorded_at for entry in self.entries] or [self._paper.inspection.opened_at]
        first, last = wording.day(min(moments)), wording.day(max(moments))
        return first if first == last else f"{first} to {last}"

    def _step_line(self, entry: Entry) -> StepLine:
        step = self._steps.get(entry.step_id)
        return StepLine(
            title=entry.step_id if step is None else step.title,
            under="" if step is None else wording.condition_text(step.condition, beside=step.title),
            read=wording.readings_text(step.windows if step else (), entry.conditions),
            instruments=", ".join(self._letters[instrument.id] for instrument in entry.instruments),
            by=f"{wording.minute(entry.recorded_at).removesuffix(' UTC')}, {entry.recorded_by.name}",
        )


def _cut_out(place: int, exhibit: Exhibit) -> Picture:
    bar = scale_bar(exhibit.size_px, exhibit.pixels_per_mm)
    return Picture(url=f"app:exhibit/{place}", caption=exhibit.caption, bar=bar)


def _remarks(entry: Entry) -> list[str]:
    """Return what an entry says beside its results."""
    told = ["cannot tell"] if entry.state is EntryState.CANNOT_TELL else []
    told += [text for text in (entry.problem, entry.reason) if text]
    told += wording.corrections_text(entry)
    if entry.measured is not None:
        told += entry.measured.warnings
    return told


def _letter(place: int) -> str:
    return chr(ord("A") + place) if place < 26 else _letter(place // 26 - 1) + _letter(place % 26)


def _instrument_line(letter: str, instrument: Instrument, entry: Entry) -> InstrumentLine:
    day = entry.recorded_at.astimezone(UTC).date()
    calibration = instrument.calibration_on(day) or instrument.latest_calibration()
    due = "–" if calibration is None else wording.day(calibration.due_on)
    if calibration is not None and calibration.due_on < day:
        due += ", past due when used"
    return InstrumentLine(
        letter=letter,
        name=instrument.name
        if instrument.kind.lower() in instrument.name.lower()
        else f"{instrument.kind}: {instrument.name}",
        serial=instrument.serial,
        calibration="none recorded" if calibration is None else f"{calibration.certificate}, {calibration.laboratory}",
        due=due,
    )
