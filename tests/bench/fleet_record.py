"""A record with very many devices, written straight into its tables: for speed, not for its audit chain."""

from datetime import UTC, datetime, timedelta

from sqlalchemy import insert

from inspect_app import workflow
from inspect_app.model import Outcome
from inspect_app.storage import tables
from tests.web.workbench import prepare

LOTS, DEVICES_OF_LOT = 500, 200
BEGAN = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
OPEN_LOTS, HELD_EVERY, REJECTED_EVERY = 5, 200, 20
ASSESSMENT = '{"judgements":[],"verdict":{"deciding":[],"outcome":"accepted","reason":"all demands are met"}}'


def fill(folder):
    """Make a workplace with LOTS lots of DEVICES_OF_LOT devices; all but the last lots are inspected and signed."""
    place = prepare(folder)
    inspector = next(one for one in workflow.accounts(place) if one.login == "ina")
    arrivals = [workflow.AcceptedArrival(serial="TM-SEED", device_class="test monocular")]
    shipment = workflow.receive_shipment(place, inspector, "TST-1", "DN-SEED", arrivals)
    lot = workflow.lots_of_shipment(place, shipment.id)[0]
    seed = workflow.open_inspection(place, inspector, lot.id, workflow.lot_devices(place, lot.id)[0].device.id)
    with place.database.writing() as session:
        form_id, contract_id = session.execute(
            tables.InspectionRow.__table__.select().where(tables.InspectionRow.id == seed.id)
        ).one()[4:6]
        for kind, rows in _rows(inspector.id, form_id, contract_id):
            session.execute(insert(kind), rows)
    return place


def _rows(person_id, form_id, contract_id):
    sealed = {"event_id": 1}
    lots = range(2, LOTS + 2)
    yield (
        tables.ShipmentRow,
        [
            {
                "id": n,
                "contract_number": "TST-1",
                "reference": f"DN-{n:05d}",
                "supplier": "Test Supplier (invented)",
                "received_at": BEGAN + timedelta(days=n),
                "received_by_id": person_id,
                **sealed,
            }
            for n in lots
        ],
    )
    yield (
        tables.LotRow,
        [
            {"id": n, "number": f"TST-1-L{n:04d}", "device_class": "test monocular", "shipment_id": n, **sealed}
            for n in lots
        ],
    )
    devices = [(n, k, (n - 1) * DEVICES_OF_LOT + k) for n in lots for k in range(DEVICES_OF_LOT)]
    yield (
        tables.DeviceRow,
        [{"id": d, "maker": "Test Supplier (invented)", "serial": f"TM-{d:07d}", **sealed} for _, _, d in devices],
    )
    yield (
        tables.ArrivalRow,
        [
            {"id": d, "lot_id": n, "device_id": d, "position": k + 1, "note": "", "is_on_list": True, **sealed}
            for n, k, d in devices
        ],
    )
    signed = [(n, d) for n, _, d in devices if n <= LOTS + 1 - OPEN_LOTS]
    yield (
        tables.InspectionRow,
        [
            {
                "id": d,
                "lot_id": n,
                "device_id": d,
                "ordinal": 1,
                "form_id": form_id,
                "contract_id": contract_id,
                "opened_at": BEGAN + timedelta(days=n),
                "opened_by_id": person_id,
                **sealed,
            }
            for n, d in signed
        ],
    )
    yield (
        tables.SignatureRow,
        [
            {
                "id": d,
                "inspection_id": d,
                "ordinal": 1,
                "signed_at": BEGAN + timedelta(days=n, hours=1),
                "signed_by_id": person_id,
                "outcome": _outcome(d),
                "remark": "",
                "assessment": ASSESSMENT,
                **sealed,
            }
            for n, d in signed
        ],
    )


def _outcome(device_id):
    if device_id % HELD_EVERY == 0:
        return Outcome.HELD
    return Outcome.REJECTED if device_id % REJECTED_EVERY == 0 else Outcome.ACCEPTED
