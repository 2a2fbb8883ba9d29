"""Who delivers which devices when, and what the bench finds: drawn from a seed, the same on every run."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from demo_fleet.synthetic.makers import MAKERS, Maker

BEGAN: Final = datetime(2020, 1, 6, 8, 0, tzinfo=UTC)
DAYS: Final = 6 * 365
_SEED: Final = 20260101
_DEVICES_OF_LOT: Final = 200
_FEWEST_LOTS: Final = 8
_LOTS_FOR_ONE_WAITING: Final = 20
_MOST_WAITING: Final = 5
_RECALLED_SHARE: Final = 0.02
_RECALL_AFTER_DAYS: Final = 365
_REPAIRED_AFTER_DAYS: Final = 60
_REPAIRED_SHARE: Final = 0.5
_DAYS_PER_YEAR: Final = 365.25
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticDevice:
    """One device with what sets it apart: the relative excess of each trait when it was new."""

    id: int
    serial: str
    born: datetime
    excess: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One lot with what the bench finds of each device: one row of values a device, one column a trait.

    One uncertainty a trait. The last lots of a large fleet wait to be inspected.
    """

    maker: Maker
    number: int
    at: datetime
    devices: tuple[SyntheticDevice, ...]
    is_new: tuple[bool, ...]
    values: FloatArray
    uncertainties: FloatArray
    meter: int
    is_inspected: bool


@dataclass(slots=True, kw_only=True)
class Deliveries:
    """The deliveries in order of time; devices that were sent back are told to it, and half of them come again."""

    devices: int
    generator: np.random.Generator = field(default_factory=lambda: np.random.default_rng(_SEED))
    _coming: dict[str, list[tuple[datetime, SyntheticDevice]]] = field(
        default_factory=lambda: {maker.contract: [] for maker in MAKERS}
    )
    _count: int = 0
    _serials: dict[str, int] = field(default_factory=lambda: dict.fromkeys((maker.contract for maker in MAKERS), 0))

    def __iter__(self) -> Iterator[Delivery]:
        """Yield every lot, the oldest first."""
        lots = max(_FEWEST_LOTS, round(self.devices / _DEVICES_OF_LOT))
        waiting = min(_MOST_WAITING, lots // _LOTS_FOR_ONE_WAITING)
        for number in range(1, lots + 1):
            fresh = self.devices * number // lots - self.devices * (number - 1) // lots
            maker = MAKERS[number % len(MAKERS)]
            at = BEGAN + timedelta(days=DAYS * (number - 1) / lots)
            yield self._deliver(maker, number, at, fresh, is_inspected=number <= lots - waiting)

    def sent_back(self, maker: Maker, at: datetime, device: SyntheticDevice) -> None:
        """Let a device come again repaired, or not."""
        if self.generator.random() < _REPAIRED_SHARE:
            repaired = SyntheticDevice(
                id=device.id, serial=device.serial, born=device.born, excess=np.abs(device.excess) * 0.5
            )
            self._coming[maker.contract].append((at + timedelta(days=_REPAIRED_AFTER_DAYS), repaired))

    def _deliver(self, maker: Maker, number: int, at: datetime, fresh: int, *, is_inspected: bool) -> Delivery:
        due = {device.id: device for when, device in self._coming[maker.contract] if when <= at}
        again = tuple(due.values())
        self._coming[maker.contract] = [one for one in self._coming[maker.contract] if one[0] > at]
        new = self._new(maker, at, fresh)
        devices = (*new, *again)
        for device in devices:
            if self.generator.random() < _RECALLED_SHARE or device.id in due:
                self._coming[maker.contract].append((at + timedelta(days=_RECALL_AFTER_DAYS), device))
        values, uncertainties = self._measured(maker, at, devices)
        return Delivery(
            maker=maker,
            number=number,
            at=at,
            devices=devices,
            is_new=(True,) * len(new) + (False,) * len(again),
            values=values,
            uncertainties=uncertainties,
            meter=number // len(MAKERS) % 2,
            is_inspected=is_inspected,
        )

    def _new(self, maker: Maker, at: datetime, count: int) -> tuple[SyntheticDevice, ...]:
        traits = maker.traits
        of_lot = self.generator.normal(0, [trait.of_lots for trait in traits])
        excess = of_lot + self.generator.normal(0, [trait.of_devices for trait in traits], (count, len(traits)))
        made = []
        for row in excess:
            self._count += 1
            self._serials[maker.contract] += 1
            serial = f"{maker.prefix}-{self._serials[maker.contract]:07d}"
            made.append(SyntheticDevice(id=self._count, serial=serial, born=at, excess=row))
        return tuple(made)

    def _measured(
        self, maker: Maker, at: datetime, devices: tuple[SyntheticDevice, ...]
    ) -> tuple[FloatArray, FloatArray]:
        traits = maker.traits
        usual = np.array([trait.usual for trait in traits])
        of_process = np.array([trait.per_year for trait in traits])
        of_ageing = np.array([trait.ageing_per_year for trait in traits])
        of_bench = np.array([trait.of_bench for trait in traits])
        born = np.array([_years(BEGAN, device.born) for device in devices])[:, np.newaxis]
        age = _years(BEGAN, at) - born
        excess = np.array([device.excess for device in devices])
        truth = usual * (1 + excess) * (1 + of_process * born) * (1 + of_ageing * age)
        uncertainty = usual * of_bench
        return truth + uncertainty * self.generator.normal(size=truth.shape), uncertainty


def _years(begin: datetime, end: datetime) -> float:
    return math.floor((end - begin).total_seconds() / 86400) / _DAYS_PER_YEAR
