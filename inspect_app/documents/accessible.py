"""What PDF/UA-1 (ISO 14289-1, from memory) asks for beside tags: a claim, margins set apart, a place for the seal.

The field of the signature is made here, before the file is signed, because its widget has to stand in the tree of tags
inside a Form; a field that the signing itself adds does not.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import pydyf

FIELD_NAME: Final = "Seal"
FIELD_WORDS: Final = "Electronic seal"
_PRINTED_AND_LOCKED: Final = 4 + 128  # ISO 32000-1, table 165; PDF/A wants annotations printed, not hidden
_MAY_BE_SIGNED: Final = 3  # table 219: signatures exist, and changes are appended only

_RDF: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_PDF_UA: Final = "http://www.aiim.org/pdfua/ns/id/"
_PDF_A: Final = "http://www.aiim.org/pdfa/ns"
# PDF/A takes no property whose schema the file does not describe (ISO 19005-3, 6.6.2.3).
_CLAIM: Final = (
    f'<rdf:Description xmlns:rdf="{_RDF}" xmlns:pdfuaid="{_PDF_UA}" rdf:about="" pdfuaid:part="1"/>'
    f'<rdf:Description xmlns:rdf="{_RDF}" xmlns:e="{_PDF_A}/extension/" xmlns:s="{_PDF_A}/schema#"'
    f' xmlns:p="{_PDF_A}/property#" rdf:about=""><e:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">'
    "<s:schema>PDF/UA identification schema</s:schema>"
    f"<s:namespaceURI>{_PDF_UA}</s:namespaceURI><s:prefix>pdfuaid</s:prefix>"
    '<s:property><rdf:Seq><rdf:li rdf:parseType="Resource"><p:name>part</p:name><p:valueType>Integer</p:valueType>'
    "<p:category>internal</p:category><p:description>Part of ISO 14289 that the file keeps to</p:description>"
    "</rdf:li></rdf:Seq></s:property></rdf:li></rdf:Bag></e:schemas></rdf:Description>"
)


def claim_accessible(pdf: pydyf.PDF) -> None:
    """Write into the metadata that the file keeps to PDF/UA-1."""
    metadata = _referred(pdf, pdf.catalog["Metadata"])
    written: bytes = metadata.stream[0]
    metadata.stream = [written.replace(b"</rdf:RDF>", f"{_CLAIM}</rdf:RDF>".encode())]


def set_margins_apart(pdf: pydyf.PDF) -> None:
    """Make artifacts of what stands in the margins, so that nobody is read the same line on every page (7.8).

    WeasyPrint 70 leaves it out of the tree of tags and marks it as content all the same.
    """
    objects = {one.reference: one for one in pdf.objects}
    root = objects[pdf.catalog["StructTreeRoot"]]
    linked = set(_linked(root["K"], objects))
    of_page = objects[root["ParentTree"]]["Nums"]
    pages = [one for one in pdf.objects if isinstance(one, pydyf.Dictionary) and one.get("Type") == "/Page"]
    for page, elements in zip(pages, of_page[1::2], strict=False):
        strays = {mark for mark, reference in enumerate(elements) if reference not in linked}
        written = objects[page["Contents"]].stream
        for place, part in enumerate(written):
            if isinstance(part, pydyf.Dictionary) and part.get("MCID") in strays:
                written[place - 1 : place + 1] = "/Artifact", pydyf.Dictionary({"Type": "/Pagination"})
        elements[:] = ["null" if mark in strays else reference for mark, reference in enumerate(elements)]


def _linked(references: Sequence[Any], objects: Mapping[Any, Any]) -> Iterator[Any]:
    """Yield the reference of every element in a part of the tree of tags."""
    for reference in references:
        element = objects.get(reference)
        if element is not None:
            yield reference
            yield from _linked(element.get("K", ()), objects)


def make_place_for_seal(pdf: pydyf.PDF) -> None:
    """Add the field that is signed: on the first page, without extent, described, in a Form of the tree of tags."""
    page = next(one for one in pdf.objects if isinstance(one, pydyf.Dictionary) and one.get("Type") == "/Page")
    root = _referred(pdf, pdf.catalog["StructTreeRoot"])
    document = _referred(pdf, root["K"][0])
    parents = _referred(pdf, root["ParentTree"])["Nums"]
    place = 1 + max(parents[::2], default=-1)
    widget = _added(
        pdf,
        Type="/Annot",
        Subtype="/Widget",
        FT="/Sig",
        T=pydyf.String(FIELD_NAME),
        TU=pydyf.String(FIELD_WORDS),
        F=_PRINTED_AND_LOCKED,
        Rect=pydyf.Array([0, 0, 0, 0]),
        P=page.reference,
        StructParent=place,
    )
    kept = _added(pdf, Type="/OBJR", Obj=widget.reference, Pg=page.reference)
    form = _added(
        pdf,
        Type="/StructElem",
        S="/Form",
        Alt=pydyf.String(FIELD_WORDS),
        K=pydyf.Array([kept.reference]),
        Pg=page.reference,
        P=document.reference,
    )
    document["K"].append(form.reference)
    parents.extend((place, form.reference))
    page["Annots"] = pydyf.Array([*page.get("Annots", ()), widget.reference])
    pdf.catalog["AcroForm"] = pydyf.Dictionary({"Fields": pydyf.Array([widget.reference]), "SigFlags": _MAY_BE_SIGNED})


def _added(pdf: pydyf.PDF, **values: Any) -> Any:
    made = pydyf.Dictionary(values)
    pdf.add_object(made)
    return made


def _referred(pdf: pydyf.PDF, reference: str | bytes) -> Any:
    return next(one for one in pdf.objects if one.reference == reference)
