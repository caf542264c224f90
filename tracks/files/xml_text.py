"""Writing XML that others read: the heads of GPX files, and a tree as text, the same bytes each time."""

from xml.etree import ElementTree

XML_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
GPX_HEAD = {"xmlns": "http://www.topografix.com/GPX/1/1", "version": "1.1", "creator": "fieldcomb"}


def xml_text(root: ElementTree.Element) -> str:
    """Return a tree as text with a head, indented, and a line end at its end."""
    ElementTree.indent(root)
    return XML_HEAD + ElementTree.tostring(root, encoding="unicode") + "\n"
