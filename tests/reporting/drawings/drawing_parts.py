"""What is in a drawing, read as XML."""

from xml.etree.ElementTree import Element, fromstring

from pipelines.reporting.drawings.chart import Chart
from tests.present import present

SVG = "{http://www.w3.org/2000/svg}"


def parts(chart: Chart | None, tag: str) -> list[Element]:
    """All elements of a kind, in the order in which they are drawn."""
    return list(fromstring(present(chart).svg).iter(SVG + tag))


def texts(chart: Chart | None) -> list[str | None]:
    return [each.text for each in parts(chart, "text")]


def marks(chart: Chart | None, kind: str) -> list[Element]:
    """The paths of lines ("line"), bands ("area") or bars ("rect") that Vega drew, bottom to top."""
    return [group[0] for group in parts(chart, "g") if group.get("class") == f"mark-{kind}"]


def stretches(path: Element) -> list[list[tuple[float, ...]]]:
    """The points of a path of straight lines, stretch by stretch."""
    found = [each.removesuffix("Z").removesuffix("h.1").split("L") for each in present(path.get("d")).split("M")[1:]]
    return [[tuple(map(float, point.split(","))) for point in stretch] for stretch in found]


def numbers(element: Element, *names: str) -> tuple[float, ...]:
    return tuple(float(present(element.get(name))) for name in names)
