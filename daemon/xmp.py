"""Sidecars in XMP: what a frame is and how it was taken, beside the picture, for any program that develops pictures.

XMP is ISO 16684-1; the properties are those of its dc, xmp, tiff and exif schemas alone (namespaces and value types as
in ISO 16684-1:2019, 6 to 8, and Adobe's XMP specification part 2 for tiff and exif), in the RDF/XML form of section 7.
A sidecar carries the picture's name with the ending ``.xmp``. No serial number, owner, place or path is ever in it.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

X, RDF = "adobe:ns:meta/", "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC, XMP = "http://purl.org/dc/elements/1.1/", "http://ns.adobe.com/xap/1.0/"
TIFF, EXIF = "http://ns.adobe.com/tiff/1.0/", "http://ns.adobe.com/exif/1.0/"
PREFIXES = {"x": X, "rdf": RDF, "dc": DC, "xmp": XMP, "tiff": TIFF, "exif": EXIF}
_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
# XML 1.0 (fifth edition), 2.2: what may stand in a document.
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def sidecar(title: str, description: str, mime: str, facts: Mapping[str, Any]) -> str:
    """The text of a sidecar.

    Parameters
    ----------
    title, description
        For people; characters that XML cannot hold are replaced.
    mime
        The picture's media type, ``image/jpeg`` for one; empty: not told.
    facts
        What is known of ``exposure_s`` [s], ``f_number``, ``iso``, ``focal_length_mm`` [mm], ``taken`` and ``subsec``
        and ``offset`` (Exif's texts), ``width`` and ``height`` [px], ``make``, ``model``; other keys are left out.
    """
    for prefix, space in PREFIXES.items():
        ET.register_namespace(prefix, space)
    root = ET.Element(f"{{{X}}}xmpmeta")
    about = ET.SubElement(ET.SubElement(root, f"{{{RDF}}}RDF"), f"{{{RDF}}}Description", {f"{{{RDF}}}about": ""})
    _in_language(about, "title", title)
    _in_language(about, "description", description)
    _plain(about, DC, "format", mime)
    _plain(about, XMP, "CreatorTool", "Stopwright")
    _plain(about, TIFF, "Make", facts.get("make"))
    _plain(about, TIFF, "Model", facts.get("model"))
    _plain(about, TIFF, "ImageWidth", facts.get("width"))
    _plain(about, TIFF, "ImageLength", facts.get("height"))
    _plain(about, EXIF, "ExposureTime", rational(facts.get("exposure_s")))
    _plain(about, EXIF, "FNumber", rational(facts.get("f_number")))
    _plain(about, EXIF, "FocalLength", rational(facts.get("focal_length_mm")))
    _plain(about, EXIF, "DateTimeOriginal", moment(facts))
    if facts.get("iso"):
        item = ET.SubElement(ET.SubElement(about, f"{{{EXIF}}}ISOSpeedRatings"), f"{{{RDF}}}Seq")
        ET.SubElement(item, f"{{{RDF}}}li").text = str(round(float(facts["iso"])))
    ET.indent(root, " ")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ET.tostring(root, encoding="unicode")}\n'


def rational(value: object) -> str | None:
    """A positive number as Exif writes it, ``28/5``; None for anything else."""
    if not isinstance(value, (int, float)) or not math.isfinite(value) or value <= 0:
        return None
    if value >= 1:
        near = Fraction(value).limit_denominator(1000)
    else:
        near = 1 / Fraction(1 / value).limit_denominator(1000)
    return f"{near.numerator}/{near.denominator}"


def moment(facts: Mapping[str, Any]) -> str | None:
    """Exif's ``2026:10:20 15:31:02`` as XMP's date, with zone only where Exif tells one; None if it is none."""
    match = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)", str(facts.get("taken") or ""))
    if match is None:
        return None
    subsec, offset = str(facts.get("subsec") or ""), str(facts.get("offset") or "")
    part = f".{subsec.strip()}" if re.fullmatch(r"\d{1,9} *", subsec) else ""
    zone = offset if re.fullmatch(r"[+-]\d\d:\d\d", offset) else ""
    return f"{match[1]}-{match[2]}-{match[3]}T{match[4]}{part}{zone}"


def _plain(about: ET.Element, space: str, name: str, value: object) -> None:
    if value not in (None, ""):
        ET.SubElement(about, f"{{{space}}}{name}").text = _NO_XML.sub("\ufffd", str(value))


def _in_language(about: ET.Element, name: str, text: str) -> None:
    alternatives = ET.SubElement(ET.SubElement(about, f"{{{DC}}}{name}"), f"{{{RDF}}}Alt")
    ET.SubElement(alternatives, f"{{{RDF}}}li", {_LANG: "x-default"}).text = _NO_XML.sub("\ufffd", text)
