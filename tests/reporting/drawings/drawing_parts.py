"""What is in a drawing, read as XML."""

from xml.etree.ElementTree import fromstring

SVG = "{http://www.w3.org/2000/svg}"


def parts(chart, tag):
    """All elements of a kind, in the order in which they are drawn."""
    return list(fromstring(chart.svg).iter(SVG + tag))


def texts(chart):
    return [each.text for each in parts(chart, "text")]


def marks(chart, kind):
    """The paths of lines ("line"), bands ("area") or bars ("rect") that Vega drew, bottom to top."""
    return [group[0] for group in parts(chart, "g") if group.get("class") == f"mark-{kind}"]


def stretches(path):
    """The points of a path of straight lines, stretch by stretch."""
    found = [each.removesuffix("Z").removesuffix("h.1").split("L") for each in path.get("d").split("M")[1:]]
    return [[tuple(map(float, point.split(","))) for point in stretch] for stretch in found]


def numbers(element, *names):
    return tuple(float(element.get(name)) for name in names)
