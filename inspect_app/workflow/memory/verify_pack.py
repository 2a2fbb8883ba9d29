"""Prove an audit pack with nothing but Python's standard library: python3 verify.py, in the unpacked folder.

It reads what the pack says of itself and recomputes every digest: of each file (manifest.json), of each event that is
told in full, of the link from each event to the one before it (chain/events.jsonl), and of the rows that the events
sealed (chain/rows.jsonl); of rows about other devices the digest alone is told. Then it sees that each capture that a
row names is there with its digest, that each document and report is, under its number, the file that was issued, and
that no other lies beside them. It ends with status 0 where all agrees, else with 1 and a line for each thing that does
not.
"""

import hashlib
import json
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

GENESIS = "0" * 64
PIECE = 1 << 20


def main(folder: Path) -> list[str]:
    """Prove the pack in a folder and return the problems."""
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    problems = list(file_problems(folder, manifest["files"]))
    events = read_lines(folder / "chain" / "events.jsonl")
    last: Mapping[str, Any] | None = None
    full: dict[int, str] = {}
    for event in events:
        problems.extend(event_problems(event, last))
        if "content" in event:
            full[event["id"]] = event["content"]
        last = event
    if last is None or last["digest"] != manifest["last_digest"]:
        problems.append("chain: it does not end with the digest that the manifest names")
    sealed: dict[int, list[str]] = defaultdict(list)
    named = set()
    issued: dict[str, str] = {}
    for row in read_lines(folder / "chain" / "rows.jsonl"):
        sealed[row["event_id"]].append(row.get("row_digest") or digest_of(canonical(row)))
        if row.get("table") == "evidence":
            named.add(row["sha256"])
        if row.get("table") == "document":
            issued[row["number"]] = row["sha256"]
    problems.extend(content_problems(full, sealed))
    problems.extend(document_problems(issued, manifest["files"]))
    present = {entry["sha256"] for entry in manifest["files"].values()}
    problems.extend(f"file {digest}: a row names it, and it is not in the pack" for digest in sorted(named - present))
    said = f"{len(manifest['files'])} files, {last['id'] if last else 0} events, {len(full)} of them in full"
    sys.stdout.write(f"{manifest['subject']}: {said}\n")
    return problems


def file_problems(folder: Path, files: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """Yield each file that is missing, changed, or not named."""
    for name, told in files.items():
        path = folder / name
        if not path.is_file():
            yield f"{name}: it is missing"
        elif file_digest(path) != told["sha256"]:
            yield f"{name}: it was changed"
    known = {*files, "manifest.json"}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name not in known:
            yield f"{name}: the manifest does not name it"


def event_problems(event: Mapping[str, Any], last: Mapping[str, Any] | None) -> Iterator[str]:
    """Yield what is wrong with one event, after the one before it."""
    name = f"event {event['id']}"
    before, number = (GENESIS, 0) if last is None else (last["digest"], last["id"])
    if event["id"] != number + 1:
        yield f"{name}: it does not follow event {number}"
    if event["previous_digest"] != before:
        yield f"{name}: it is not linked to the event before it"
    if "content" in event:
        values = {key: value for key, value in event.items() if key != "digest"}
        if digest_of(canonical(values)) != event["digest"]:
            yield f"{name}: it was changed"


def content_problems(full: Mapping[int, str], sealed: Mapping[int, Sequence[str]]) -> Iterator[str]:
    """Yield each event whose rows are not those that it sealed."""
    for number, content in full.items():
        if digest_of("".join(sorted(sealed.get(number, ())))) != content:
            yield f"event {number}: a row that it wrote was changed, added or removed"
    for number in sorted(sealed.keys() - full.keys()):
        yield f"event {number}: rows say it wrote them, and it is not told in full"


def document_problems(issued: Mapping[str, str], files: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """Yield each document that is not the file that was issued under its number, and each file that none was."""
    found = {
        name.removeprefix("documents/").removesuffix(".pdf"): told["sha256"]
        for name, told in files.items()
        if name.startswith("documents/") and name.endswith(".pdf")
    }
    for number, sha256 in sorted(issued.items()):
        if number not in found:
            yield f"document {number}: its file is not in the pack"
        elif found[number] != sha256:
            yield f"document {number}: its file is not the one that was issued"
    for number in sorted(found.keys() - issued.keys()):
        yield f"document {number}: no row says that it was issued"


def read_lines(path: Path) -> Iterator[Any]:
    """Yield the JSON value of each line."""
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            yield json.loads(line)


def canonical(values: Mapping[str, Any]) -> str:
    """Return the JSON text that was sealed."""
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest_of(text: str) -> str:
    """Return the SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file, read piece by piece."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
    return digest.hexdigest()


if __name__ == "__main__":
    found = main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
    sys.stdout.writelines(f"{problem}\n" for problem in found)
    sys.stdout.write("All agrees.\n" if not found else f"{len(found)} things do not agree.\n")
    sys.exit(bool(found))
