"""Last corrections to a PDF before it is written: what readers of tagged and archived files trip over."""

from functools import partial
from typing import Any

import pydyf

from inspect_app.documents.accessible import claim_accessible, make_place_for_seal, set_margins_apart
from inspect_app.documents.writing import write_file


def finish(_document: object, pdf: pydyf.PDF) -> None:
    """Name each attachment once, say of each header cell whether it heads a column or a row, make it accessible.

    WeasyPrint 70 lists every associated file twice and gives header cells no scope. Its writer is replaced by ours.
    """
    claim_accessible(pdf)
    set_margins_apart(pdf)
    make_place_for_seal(pdf)
    if "AF" in pdf.catalog:
        pdf.catalog["AF"] = pydyf.Array(dict.fromkeys(pdf.catalog["AF"]))
    objects = (o for o in pdf.objects if isinstance(o, pydyf.Dictionary) and "S" in o)
    elements = {_text(element.reference): element for element in objects}
    for element in elements.values():
        if _text(element["S"]) == "/TH":
            in_head = _enclosing(element, elements, {"/THead", "/TBody", "/Table"}) == "/THead"
            element.setdefault("A", pydyf.Dictionary({"O": "/Table"}))["Scope"] = "/Column" if in_head else "/Row"
    pdf.write = partial(write_file, pdf)


def _enclosing(element: dict[str, Any], elements: dict[str, Any], kinds: set[str]) -> str:
    while "P" in element and (parent := elements.get(_text(element["P"]))) is not None:
        if _text(parent["S"]) in kinds:
            return _text(parent["S"])
        element = parent
    return ""


def _text(value: str | bytes) -> str:
    return value.decode() if isinstance(value, bytes) else value
