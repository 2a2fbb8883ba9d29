"""Makes papers by hand: an invented device with invented, plausible measurements of every kind."""

import dataclasses
import math
import struct
import zlib
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta

from inspect_app import judge
from inspect_app.definitions.values import Contract, Form, Step, Window
from inspect_app.documents import Paper
from inspect_app.model import (
    Calibration,
    Condition,
    DecisionRule,
    Device,
    Entry,
    EntryState,
    Evidence,
    Feature,
    FileReference,
    Inspection,
    Instrument,
    Limit,
    Lot,
    Measured,
    Outline,
    Person,
    Result,
    Role,
    Severity,
    Shipment,
    Signature,
    SpotAllowance,
    SpotClass,
    Trace,
)
from inspect_app.quantity import Quantity

START = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
INSPECTOR = Person(id=3, login="ida", name="Ida Example", role=Role.INSPECTOR)
APPROVER = Person(id=4, login="orla", name="Orla Specimen", role=Role.APPROVER)
DEVICE_CLASS = "digital monocular, standard sensor"
CAUTIONS = (
    "Dark room: let your eyes adapt, keep the floor clear, and never work there alone with high voltage.",
    "Infrared illuminator: do not look into it; the eye gives no warning. Follow the maker's distance and local rules.",
    "Lithium cells: no damaged cell is charged or discharged; use a fire-safe place and follow local rules.",
)
METER = Instrument(
    id=1,
    kind="illuminance meter",
    name="photometric head with readout",
    serial="LX-2207",
    calibrations=(
        Calibration(
            certificate="K-26-0417",
            laboratory="Invented Photometry Laboratory",
            calibrated_on=date(2026, 3, 2),
            due_on=date(2027, 3, 1),
        ),
    ),
)
TARGET = Instrument(
    id=2,
    kind="bar target",
    name="1951 three-bar target, chrome on glass",
    serial="BT-118",
    calibrations=(
        Calibration(
            certificate="K-25-1120",
            laboratory="Invented Length Laboratory",
            calibrated_on=date(2025, 6, 10),
            due_on=date(2027, 6, 9),
        ),
    ),
)
GENERATOR = Instrument(
    id=3,
    kind="strobe generator",
    name="function generator with LED field",
    serial="FG-0931",
    calibrations=(
        Calibration(
            certificate="K-26-0099",
            laboratory="Invented Frequency Laboratory",
            calibrated_on=date(2026, 1, 20),
            due_on=date(2027, 1, 19),
        ),
    ),
)


def digest(text: str) -> str:
    """Return 64 hexadecimal digits that stand for a file."""
    return (f"{zlib.crc32(text.encode()):08x}" * 8)[:64]


def result(
    name: str,
    value: float,
    unit: str,
    uncertainty: float = 0.0,
    degrees_of_freedom: float | None = None,
    **condition: str | float,
) -> Result:
    """Return one result."""
    return Result(
        quantity_name=name,
        quantity=Quantity(
            value=value, unit=unit, standard_uncertainty=uncertainty, degrees_of_freedom=degrees_of_freedom
        ),
        condition=condition,
    )


def measured(check: str, method: str, *results: Result, **more: object) -> Measured:
    """Return one measurement."""
    files = (FileReference(name=f"{check}.png", sha256=digest(check)),)
    return dataclasses.replace(Measured(check=check, method=method, results=results, files=files), **more)


def slanted_edge(axis: str = "horizontal", mtf50: float = 0.212) -> Measured:
    """Return an edge whose MTF is a Gaussian with the given MTF50 in cycles a pixel, and its edge spread."""
    sigma_px = math.sqrt(math.log(2) / 2) / (math.pi * mtf50)
    frequencies = tuple(i / 200 for i in range(101))
    distances = tuple(i / 4 for i in range(-40, 41))
    mtf = tuple(math.exp(-2 * (math.pi * sigma_px * f) ** 2) for f in frequencies)
    esf = tuple(0.1 + 0.4 * (1 + math.erf(d / sigma_px / math.sqrt(2))) for d in distances)
    under: Condition = {"axis": axis, "roi": (412, 230, 80, 120)}
    mtf10 = mtf50 * math.sqrt(math.log(10) / math.log(2))
    return measured(
        "slanted-edge",
        "ISO 12233:2017 e-SFR",
        result("mtf50", mtf50, "cy/px", 0.0031, 11, axis=axis),
        result("mtf10", mtf10, "cy/px", 0.008, 11, axis=axis),
        traces=(
            Trace(name="mtf", x=frequencies, x_unit="cy/px", y=mtf, y_unit="1", condition=under),
            Trace(name="esf", x=distances, x_unit="px", y=esf, y_unit="1", condition=under),
        ),
        outlines=(Outline(label="edge", shape="rectangle", x=412, y=230, width_px=80, height_px=120),),
    )


def bar_target(axis: str = "horizontal", resolution: float = 5.66) -> Measured:
    """Return a bar target read by two readers."""
    return measured(
        "bar-target",
        "1951 three-bar target, MIL-STD-150A geometry; value of the last element resolved",
        result("resolution", resolution, "lp/mm", 0.21, 8, axis=axis),
        result("angular_resolution", resolution * 0.42, "cy/mrad", 0.1, 8, axis=axis),
    )


def step_wedge(stops: float = 10.8) -> Measured:
    """Return a wedge of 21 steps of one stop whose SNR falls from 120 as for shot noise over a floor."""
    steps = tuple(float(step) for step in range(1, 22))
    signal = [14000.0 * 2.0 ** -(step - 1) for step in steps]
    snr = tuple(s / math.sqrt(s + 9) for s in signal)
    response = tuple(max(s, 3.0) for s in signal)
    return measured(
        "step-wedge",
        "ISO 15739:2017 dynamic range by SNR criterion",
        *(
            result("dynamic_range", stops + gain, "stop", 0.11, snr_criterion=float(criterion))
            for criterion, gain in ((1, 2.9), (2, 1.9), (10, 0.0))
        ),
        result("steps_discerned", 14, "1"),
        traces=(
            Trace(name="snr", x=steps, x_unit="1", y=snr, y_unit="1"),
            Trace(name="response", x=steps, x_unit="1", y=response, y_unit="1"),
        ),
    )


def latency(half_ms: float = 31.0) -> Measured:
    """Return a stimulus that steps at 0 ms and a response that has half its swing at the given time."""
    times = tuple(float(t) for t in range(-20, 101, 1))
    stimulus = tuple(0.05 if t < 0 else 0.92 for t in times)
    response = tuple(0.06 + 0.8 / (1 + math.exp(-(t - half_ms) / 2.0)) for t in times)
    return measured(
        "latency",
        "Threshold crossing of stimulus and response in one film",
        result("latency_first_change", half_ms - 7.0, "ms", 1.2),
        result("latency_half", half_ms, "ms", 1.5),
        result("latency_frames", round(half_ms / 5), "1"),
        traces=(
            Trace(name="stimulus", x=times, x_unit="ms", y=stimulus, y_unit="1"),
            Trace(name="response", x=times, x_unit="ms", y=response, y_unit="1"),
        ),
    )


def readout(time_ms: float = 14.0, rows: int = 600, strobe_hz: float = 200.0) -> Measured:
    """Return row means under a strobe: a square wave softened by the exposure, over the readout time."""
    places = tuple(float(row) for row in range(0, rows, 4))
    per_row = strobe_hz * time_ms / 1000 / rows
    profile = tuple(0.5 + 0.35 * math.tanh(3 * math.sin(2 * math.pi * per_row * row + 0.4)) for row in places)
    fitted = tuple(0.5 + 0.42 * math.sin(2 * math.pi * per_row * row + 0.4) for row in places)
    return measured(
        "readout",
        "Band period of a strobed field",
        result("readout_time", time_ms, "ms", 0.09),
        result("line_time", 1000 * time_ms / rows, "µs", 0.15),
        traces=(
            Trace(name="row_mean", x=places, x_unit="px", y=profile, y_unit="1"),
            Trace(name="fitted", x=places, x_unit="px", y=fitted, y_unit="1"),
        ),
    )


def battery(runtime_min: float = 262.0) -> Measured:
    """Return a discharge that crosses 3.0 V at the given time."""
    minutes = tuple(runtime_min * 1.06 * i / 200 for i in range(201))
    volts = tuple(4.1 - 0.75 * (t / runtime_min) - 0.35 * (t / runtime_min) ** 18 for t in minutes)
    return measured(
        "battery",
        "Constant load to the first lasting crossing of the cut-off",
        result("runtime", runtime_min, "min", 1.4),
        result("capacity", 2140.0, "mAh", 25.0),
        traces=(Trace(name="voltage", x=minutes, x_unit="min", y=volts, y_unit="V", condition={"cutoff_v": 3.0}),),
    )


def spot(x: float, y: float, diameter_mm: float, zone: int, *, polarity: str = "dark", kind: str = "spot") -> Feature:
    """Return one spot of a field where 900 px are 18 mm."""
    return Feature(
        x=x,
        y=y,
        diameter_px=diameter_mm * 50,
        diameter_mm=diameter_mm,
        contrast=0.45,
        polarity=polarity,
        zone=zone,
        kind=kind,
        diameter_uncertainty_mm=0.006,
    )


SPOTS = (
    spot(630, 371, 0.11, 1),
    spot(802, 520, 0.13, 2),
    spot(455, 196, 0.21, 2),
    spot(960, 300, 0.09, 3),
    spot(330, 540, 0.10, 3, polarity="bright"),
    spot(700, 250, 0.04, 1, kind="hot", polarity="bright"),
)


def blemish(spots: tuple[Feature, ...] = SPOTS) -> Measured:
    """Return spots in a round field of 18 mm with three zones."""
    centre_x, centre_y = 640.0, 360.0
    zones = tuple(
        Outline(
            label=f"zone {number}",
            shape="circle",
            x=centre_x,
            y=centre_y,
            width_px=diameter * 50,
            height_px=diameter * 50,
        )
        for number, diameter in ((1, 5.6), (2, 14.7), (3, 18.0))
    )
    dark = [feature for feature in spots if feature.polarity == "dark" and feature.kind == "spot"]
    return measured(
        "blemish",
        "Flat field, local contrast against the smoothed surround",
        result("dark_spots", len(dark), "1"),
        *(result("dark_spots", sum(f.zone == zone for f in dark), "1", zone=float(zone)) for zone in (1, 2, 3)),
        result("bright_spots", sum(f.polarity == "bright" and f.kind == "spot" for f in spots), "1"),
        result("hot_pixels", sum(f.kind == "hot" for f in spots), "1"),
        result("shading", 11.4, "%", 0.5),
        features=spots,
        outlines=(*zones, Outline(label="field", shape="circle", x=640, y=360, width_px=900, height_px=900)),
    )


ILLUMINANCE = Window(name="illuminance_lx", unit="lx", label="Illuminance", low=0.9, high=1.1, before_and_after=True)
TEMPERATURE = Window(name="temperature_c", unit="°C", label="Temperature", low=18, high=28)


def step(step_id: str, check: str, title: str, **condition: str | float) -> Step:
    """Return one step of the form."""
    return Step(
        id=step_id,
        check=check,
        title=title,
        instruction="As the procedure says.",
        condition=condition,
        windows=(ILLUMINANCE, TEMPERATURE),
        cautions=CAUTIONS[:1],
    )


def runs() -> tuple[tuple[Step, Measured, Instrument], ...]:
    """Return the steps of a whole inspection with what each found."""
    made: list[tuple[Step, Measured, Instrument]] = []
    for level, bars, mtf in ((1.0, 5.66, 0.212), (0.005, 3.56, 0.143)):
        for axis, factor in (("horizontal", 1.0), ("vertical", 0.94)):
            name = f"{axis}.{level:g}lx"
            made += [
                (
                    step(f"bar-target.{name}", "bar-target", "Bar target", axis=axis, illuminance_lx=level),
                    bar_target(axis, bars * factor),
                    TARGET,
                ),
                (
                    step(f"slanted-edge.{name}", "slanted-edge", "Slanted edge", axis=axis, illuminance_lx=level),
                    slanted_edge(axis, mtf * factor),
                    METER,
                ),
            ]
    made.append((step("blemish", "blemish", "Blemish map, bright field"), blemish(), METER))
    made.append((step("step-wedge", "step-wedge", "Step wedge"), step_wedge(), METER))
    for mode, lag_ms, read_ms in (("live view", 31.0, 14.0), ("recording", 44.2, 14.0)):
        slug = mode.replace(" ", "-")
        made.append((step(f"latency.{slug}", "latency", "Latency", mode=mode), latency(lag_ms), GENERATOR))
        made.append((step(f"readout.{slug}", "readout", "Sensor readout", mode=mode), readout(read_ms), GENERATOR))
    made.append((step("battery", "battery", "Battery life"), battery(), GENERATOR))
    return tuple(made)


def demand(clause: str, title: str, check: str, quantity_name: str, unit: str, **more: object) -> Limit:
    """Return one limit."""
    given = {"decision_rule": DecisionRule.GUARDED, **more}
    return Limit(clause=clause, title=title, check=check, quantity_name=quantity_name, unit=unit, **given)


def limits() -> tuple[Limit, ...]:
    """Return the limits of the invented contract."""
    made: list[Limit] = []
    for place, (level, bars, mtf) in enumerate(((1.0, 4.0, 0.18), (0.005, 2.5, 0.11)), start=1):
        for axis in ("horizontal", "vertical"):
            under = {"axis": axis, "illuminance_lx": level}
            made.append(
                demand(
                    f"4.{place}.1",
                    "Bar target resolution",
                    "bar-target",
                    "resolution",
                    "lp/mm",
                    at_least=bars,
                    condition=under,
                )
            )
            made.append(
                demand(f"4.{place}.2", "MTF50", "slanted-edge", "mtf50", "cy/px", at_least=mtf, condition=under)
            )
    made += [
        demand(
            "4.3.1",
            "Dynamic range",
            "step-wedge",
            "dynamic_range",
            "stop",
            at_least=10,
            condition={"snr_criterion": 10.0},
        ),
        *(
            demand(
                "4.4.1",
                "Latency, half of the swing",
                "latency",
                "latency_half",
                "ms",
                at_most=50,
                condition={"mode": mode},
                severity=Severity.CRITICAL,
            )
            for mode in ("live view", "recording")
        ),
        demand("4.5.1", "Sensor readout", "readout", "readout_time", "ms", at_most=16.7),
        demand("4.6.1", "Runtime", "battery", "runtime", "min", at_least=240),
        demand(
            "4.7.2",
            "Hot pixels",
            "blemish",
            "hot_pixels",
            "1",
            at_most=5,
            severity=Severity.MINOR,
            decision_rule=DecisionRule.SIMPLE,
        ),
        demand("4.7.3", "Shading", "blemish", "shading", "%", at_most=20, severity=Severity.MINOR),
    ]
    return tuple(made)


SPOT_TABLE = SpotAllowance(
    clause="4.7.1",
    title="Dark spots",
    check="blemish",
    classes=(
        SpotClass(larger_than_mm=0.075, at_most_mm=0.15, allowed=(1, 3, 6)),
        SpotClass(larger_than_mm=0.15, at_most_mm=0.30, allowed=(0, 1, 2)),
        SpotClass(larger_than_mm=0.30, at_most_mm=None, allowed=(0, 0, 0)),
    ),
    contrast_at_least=0.15,
)


def contract(demands: tuple[Limit, ...], tables: tuple[SpotAllowance, ...] = (SPOT_TABLE,)) -> Contract:
    """Return the invented contract with these demands."""
    return Contract(
        number="BSR-014",
        revision="B",
        title="Head-worn low-light monoculars for night searches",
        buyer="Brackwater Sound Rescue Service",
        supplier="Quillmere Devices",
        note="Invented demonstration data: no such buyer, supplier or device exists.",
        limits={DEVICE_CLASS: demands},
        spot_allowances={DEVICE_CLASS: tables},
        source="",
        digest=digest("contract"),
    )


def entries(done: tuple[tuple[Step, Measured, Instrument], ...]) -> dict[str, Entry]:
    """Return the newest entry of each step, five minutes apart."""
    made: dict[str, Entry] = {}
    for place, (of_step, found, instrument) in enumerate(done):
        photo = Evidence(
            sha256=digest(of_step.id),
            name=f"{of_step.id}.png",
            media_type="image/png",
            size_bytes=2_000_000,
        )
        made[of_step.id] = Entry(
            id=100 + place,
            step_id=of_step.id,
            revision=1,
            state=EntryState.RECORDED,
            answers={},
            conditions={
                "illuminance_lx_before": "1.02",
                "illuminance_lx_after": "0.99",
                "temperature_c": "22.4",
            },
            recorded_at=START + timedelta(minutes=5 * place),
            recorded_by=INSPECTOR,
            instruments=(METER, instrument) if instrument is not METER else (METER,),
            evidence=(photo,),
            measured=found,
        )
    return made


def inspection(made: Mapping[str, Entry], serial: str = "QM-S-004217", maker: str = "Quillmere Devices") -> Inspection:
    """Return a signed inspection."""
    shipment = Shipment(
        id=7,
        reference="QD-SHIP-2026-31",
        contract_number="BSR-014",
        supplier="Quillmere Devices",
        received_at=START - timedelta(days=4),
        received_by=INSPECTOR,
    )
    return Inspection(
        id=42,
        device=Device(id=12, maker=maker, serial=serial, device_class=DEVICE_CLASS),
        lot=Lot(id=5, number="L-2026-0003", device_class=DEVICE_CLASS, shipment=shipment),
        form_revision="A",
        form_digest=digest("form"),
        contract_revision="B",
        contract_digest=digest("contract"),
        opened_at=START,
        opened_by=INSPECTOR,
        entries=made,
        arrival_note="Carton dented at one corner, device unmarked.",
    )


def paper(
    done: tuple[tuple[Step, Measured, Instrument], ...] | None = None,
    demands: tuple[Limit, ...] | None = None,
    tables: tuple[SpotAllowance, ...] = (SPOT_TABLE,),
    serial: str = "QM-S-004217",
    **more: object,
) -> Paper:
    """Return a paper, judged from its measurements; accepted unless they say otherwise."""
    carried_out = runs() if done is None else done
    asked = limits() if demands is None else demands
    found = [
        judge.StepResults(step_id=s.id, check=s.check, condition=s.condition, measured=m) for s, m, _ in carried_out
    ]
    judgements = judge.judge_results(asked, tables, found)
    verdict = judge.device_verdict(judgements)
    seen = inspection(entries(carried_out), serial)
    signature = Signature(signed_at=START + timedelta(hours=2), signed_by=INSPECTOR, outcome=verdict.outcome)
    made = Paper(
        number="C-2026-0001",
        issuer="Brackwater Sound Rescue Service, Goods Inwards Laboratory\n4 Invented Quay, Brackwater",
        inspection=dataclasses.replace(seen, signature=signature),
        form=Form(
            device_class=DEVICE_CLASS,
            title="Digital monocular, standard sensor",
            revision="A",
            steps=tuple(s for s, _, _ in carried_out),
            source="",
            digest=digest("form"),
        ),
        contract=contract(asked, tables),
        judgements=judgements,
        verdict=verdict,
        issued_at=START + timedelta(days=1),
        issued_by=APPROVER,
        program_version="0.1",
    )
    return dataclasses.replace(made, **more)


def rejected_paper(**more: object) -> Paper:
    """Return the paper of a device that is slow while recording, with a spot too many in the centre."""
    done = list(runs())
    for place, (of_step, _, instrument) in enumerate(done):
        if of_step.id == "latency.recording":
            done[place] = (of_step, latency(71.3), instrument)
        if of_step.id == "blemish":
            done[place] = (of_step, blemish((*SPOTS, spot(560, 420, 0.24, 1))), instrument)
    pictures = {digest("blemish"): png(240, 160), digest("latency.recording"): png(160, 160)}
    return paper(tuple(done), number="R-2026-0001", thumbnails=pictures, **more)


def png(width: int, height: int) -> bytes:
    """Return a grey picture with a dark disc, written by hand (PNG, second edition, clauses 5 and 11)."""
    rows = b"".join(
        b"\0" + bytes(40 if math.hypot(x - width / 2, y - height / 2) < height / 5 else 180 for x in range(width))
        for y in range(height)
    )

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
