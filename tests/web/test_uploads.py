"""Files in parts over HTTP; the truth is the published protocol, tus 1.0.0, and RFC 9530 for the digest."""

import base64
import hashlib

import pytest

from inspect_app import workflow
from inspect_app.workflow import Sender
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD, edge_png

PART = "application/offset+octet-stream"
EDGE_PNG = edge_png()
EDGE_BYTES = len(EDGE_PNG)


class Parts:
    """Speaks the protocol to the captures of an inspection."""

    def __init__(self, visitor, address):
        self.client, self.address = visitor.client, address
        self.says = {"Tus-Resumable": "1.0.0", "Accept": "application/json", "X-CSRFToken": visitor.token()}

    def begin(self, name="edge.png", size_bytes=EDGE_BYTES, **headers):
        """Create an upload and return the answer."""
        encoded = base64.b64encode(name.encode()).decode()
        wanted = {"Upload-Length": str(size_bytes), "Upload-Metadata": f"filename {encoded},is_confidential"}
        return self.client.post(self.address, headers={**self.says, **wanted, **headers})

    def add(self, place, offset, content, **headers):
        """Send a part and return the answer."""
        says = {**self.says, "Upload-Offset": str(offset), "Content-Type": PART, **headers}
        return self.client.patch(place, data=content, headers=says)

    def stands(self, place):
        """Ask how much has arrived."""
        return self.client.head(place, headers=self.says)


@pytest.fixture
def parts(inspector, inspection):
    address = f"/bench/{inspection.id}/captures"
    inspector.get(address)
    return Parts(inspector, f"{address}/parts")


def digest_of(content):
    return f"sha-256=:{base64.b64encode(hashlib.sha256(content).digest()).decode()}:"


def test_a_capture_arrives_in_parts_and_waits_for_its_step(parts, inspection, place):
    begun = parts.begin()
    where = begun.headers["Location"]
    assert begun.status_code == 201

    first = parts.add(where, 0, EDGE_PNG[:1000])
    assert (first.status_code, first.headers["Upload-Offset"]) == (204, "1000")
    assert first.headers["Upload-Expires"].endswith("GMT")
    last = parts.add(where, 1000, EDGE_PNG[1000:], **{"Repr-Digest": digest_of(EDGE_PNG)})

    assert last.headers["Upload-Offset"] == str(len(EDGE_PNG))
    assert last.headers["Repr-Digest"] == digest_of(EDGE_PNG)
    (waiting,) = workflow.waiting_captures(place, inspection.id)
    assert (waiting.file.name, waiting.sent_by.login) == ("edge.png", "ina")
    assert place.evidence.path(waiting.file.sha256).read_bytes() == EDGE_PNG
    assert workflow.verify(place).problems == ()


def test_after_a_break_the_sender_hears_where_to_go_on(parts):
    where = parts.begin().headers["Location"]
    parts.add(where, 0, EDGE_PNG[:500])

    told = parts.stands(where)

    assert (told.status_code, told.headers["Upload-Offset"]) == (200, "500")
    assert told.headers["Upload-Length"] == str(len(EDGE_PNG))
    assert told.headers["Cache-Control"] == "no-store"


def test_a_part_that_does_not_follow_is_refused_and_changes_nothing(parts):
    where = parts.begin().headers["Location"]
    parts.add(where, 0, EDGE_PNG[:500])

    assert parts.add(where, 400, b"again").status_code == 409
    assert parts.stands(where).headers["Upload-Offset"] == "500"


def test_a_sender_that_did_not_hear_of_the_end_finds_the_file_kept(parts, inspection, place):
    where = parts.begin().headers["Location"]
    parts.add(where, 0, EDGE_PNG, **{"Repr-Digest": digest_of(EDGE_PNG)})

    told = parts.stands(where)
    parts.add(where, len(EDGE_PNG), b"")

    assert told.headers["Upload-Offset"] == str(len(EDGE_PNG))
    assert told.headers["Repr-Digest"] == digest_of(EDGE_PNG)
    assert len(workflow.waiting_captures(place, inspection.id)) == 1


def test_a_file_whose_last_part_came_before_the_power_failed_is_kept_when_asked_for(parts, inspection, place, people):
    """The last part was written and nothing after it: that is how the disk stands when the program dies there."""
    where = parts.begin().headers["Location"]
    path = place.evidence.incoming / "parts" / f"{where.rpartition('/')[2]}.part"
    path.write_bytes(EDGE_PNG)

    parts.stands(where)

    assert len(workflow.waiting_captures(place, inspection.id)) == 1
    assert workflow.unfinished_uploads(place, Sender(person=people["ina"], inspection_id=inspection.id)) == ()


def test_what_arrives_otherwise_than_it_was_sent_is_refused_and_sent_anew(parts, inspection, place):
    where = parts.begin().headers["Location"]

    refused = parts.add(where, 0, EDGE_PNG[:-1] + b"x", **{"Repr-Digest": digest_of(EDGE_PNG)})

    assert refused.status_code == 422
    assert "what arrived is not what was sent" in refused.get_json()["message"]
    assert workflow.waiting_captures(place, inspection.id) == ()
    assert parts.stands(where).status_code == 404
    assert list(place.evidence.names()) == []


def test_a_wrong_file_is_refused_by_its_first_part(parts):
    """The first 64 KiB tell what it is: the other 400 MB need not be sent."""
    where = parts.begin("manual.pdf", 400_000_000).headers["Location"]

    refused = parts.add(where, 0, b"%PDF-1.7" + bytes(70_000))

    assert refused.status_code == 422
    assert "a PDF document" in refused.get_json()["message"]
    assert parts.stands(where).status_code == 404


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Tus-Resumable": "0.2.2"}, 412),
        ({"Upload-Length": "many"}, 422),
        ({"Upload-Length": "0"}, 422),
        ({"Upload-Length": str(5 * 1024**3)}, 422),
        ({"Upload-Metadata": "filename ###"}, 422),
        ({"X-CSRFToken": "stolen"}, 400),
    ],
)
def test_a_beginning_that_cannot_be_used_is_refused(parts, headers, status):
    assert parts.begin(**headers).status_code == status


def test_a_part_of_another_kind_is_refused(parts):
    where = parts.begin().headers["Location"]

    assert parts.add(where, 0, EDGE_PNG, **{"Content-Type": "image/png"}).status_code == 415


def test_the_versions_and_extensions_are_told(parts):
    told = parts.client.options(parts.address)

    assert told.headers["Tus-Version"] == "1.0.0"
    assert told.headers["Tus-Extension"] == "creation,expiration,termination"


def test_an_upload_belongs_to_who_began_it(parts, as_role, inspection):
    where = parts.begin().headers["Location"]
    other = as_role("app")
    other.get(f"/bench/{inspection.id}/captures")

    theirs = Parts(other, parts.address)

    assert theirs.stands(where).status_code == 404
    assert theirs.add(where, 0, EDGE_PNG).status_code == 404


def test_an_auditor_cannot_send(as_role, inspection):
    auditor = as_role("aud")
    auditor.get("/")

    assert Parts(auditor, f"/bench/{inspection.id}/captures/parts").begin().status_code == 403


def test_what_arrived_in_part_is_listed_and_can_be_dropped(parts, inspector, inspection):
    where = parts.begin("night film.mp4").headers["Location"]
    parts.add(where, 0, b"\0\0\0\x18ftypmp42" + bytes(500))
    inspector.get(f"/bench/{inspection.id}/captures")
    assert "night film.mp4 , 512 B of " in inspector.words()

    inspector.post(f"{where}/drop")

    assert "night film.mp4" not in inspector.words()
    assert parts.client.delete(where, headers=parts.says).status_code == 404


def test_an_upload_ends_by_request(parts):
    where = parts.begin().headers["Location"]

    assert parts.client.delete(where, headers=parts.says).status_code == 204
    assert parts.stands(where).status_code == 404


def test_a_signed_inspection_takes_no_more_captures(parts, inspection, place, people):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")

    assert parts.begin().status_code == 403
