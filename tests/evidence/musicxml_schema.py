"""The published MusicXML 4.0 schema: ``musicxml_4_0.xsd`` as PyPI ``musicxml`` carries it.

The two schemas that it imports come with PyPI ``xmlschema``.
"""

from functools import cache
from importlib import resources

from lxml import etree

LOCAL = {
    "http://www.musicxml.org/xsd/xlink.xsd": ("xmlschema", "schemas/XLINK/xlink.xsd"),
    "http://www.musicxml.org/xsd/xml.xsd": ("xmlschema", "schemas/XML/xml.xsd"),
}


class _Resolver(etree.Resolver):
    def resolve(self, system_url, _public_id, context):
        for url, (package, path) in LOCAL.items():
            if system_url == url or system_url.endswith(url.rsplit("/", 1)[1]):
                return self.resolve_string(
                    (resources.files(package) / path).read_bytes(), context, base_url=url
                )
        return None


@cache
def musicxml_schema() -> etree.XMLSchema:
    """Return the schema; its two imports are resolved on this machine."""
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(_Resolver())
    path = resources.files("musicxml") / "generate_classes" / "musicxml_4_0.xsd"
    return etree.XMLSchema(etree.parse(str(path), parser))
