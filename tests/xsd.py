"""Is this file valid MusicXML 4.0? The schema comes with the PyPI package `musicxml` 1.6.3 (W3C, June 2021)."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Any, cast

from lxml import etree

XML_STUB = """<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema"
 targetNamespace="http://www.w3.org/XML/1998/namespace">
 <xs:attribute name="lang" type="xs:string"/><xs:attribute name="space" type="xs:string"/></xs:schema>"""

XLINK_STUB = (
    '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="http://www.w3.org/1999/xlink">'
    + "".join(
        f'<xs:attribute name="{name}" type="xs:string"/>'
        for name in ("href", "type", "role", "title", "show", "actuate")
    )
    + "</xs:schema>"
)


class _Offline(etree.Resolver):
    """Answers the schema's two imports; the main file is asked for too and must not match."""

    def resolve(self, system_url: str, public_id: str, context: Any = None) -> Any:  # noqa: ARG002
        stubs = {"/xsd/xml.xsd": XML_STUB, "/xsd/xlink.xsd": XLINK_STUB}
        for ending, stub in stubs.items():
            if system_url.endswith(ending):
                return self.resolve_string(stub, context, base_url=system_url)
        return None


@cache
def schema() -> etree.XMLSchema:
    """The MusicXML 4.0 schema, built without network."""
    parser = etree.XMLParser(no_network=True, load_dtd=False)
    parser.resolvers.add(_Offline())
    source = files("musicxml") / "generate_classes" / "musicxml_4_0.xsd"
    return etree.XMLSchema(etree.parse(str(source), parser))


def faults(data: bytes) -> list[str]:
    """What the schema has against a file; an empty list for a valid one."""
    parser = etree.XMLParser(no_network=True, load_dtd=False, resolve_entities=False)
    document = etree.fromstring(data, parser)
    judge = schema()
    judge.validate(document)
    return [f"line {one.line}: {one.message}" for one in cast("Iterable[Any]", judge.error_log)]
