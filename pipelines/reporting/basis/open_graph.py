"""Open Graph tags of a public page: what others show of a link to it. Tags load nothing; without ``base_url`` there are none.

title, type, image and url are required, image and url absolute (The Open Graph protocol, ogp.me).
"""

from __future__ import annotations

from urllib.parse import quote

PICTURE_SIZE = (1200, 630)


def open_graph(
    base_url: str,
    page: str,
    title: str,
    description: str,
    picture: str = "",
    picture_words: str = "",
    kind: str = "website",
) -> list[tuple[str, str]]:
    """Property and content of each tag; empty without a base or without a picture, which a tag must have.

    Args:
        base_url: where public/ is uploaded to, such as https://example.org/costs.
        page, picture: paths below public/, with ``/`` between folders.
        title, description: in words.
        picture_words: what the picture says.
        kind: website or article.
    """
    if not base_url or not picture:
        return []
    width, height = PICTURE_SIZE
    tags = [
        ("og:title", title),
        ("og:type", kind),
        ("og:url", _address(base_url, page)),
        ("og:description", description),
        ("og:image", _address(base_url, picture)),
        ("og:image:type", "image/png"),
        ("og:image:width", str(width)),
        ("og:image:height", str(height)),
        ("og:image:alt", picture_words),
    ]
    return [(name, content) for name, content in tags if content]


def _address(base_url: str, path: str) -> str:
    return f"{base_url.rstrip('/')}/{quote(path)}"
