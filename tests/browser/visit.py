"""A page opened in a real browser."""

import re
from typing import Any

PAGES = (
    "public/index.html",
    "public/comparison.html",
    "public/sheets/m00.html",
    "public/sheets/m02.html",
    "private/details/m00.html",
    "private/index.html",
    "public/how-we-calculate.html",
    "public/reports/index.html",
    "public/reports/2026-11.html",
    "public/reports/2025-10.html",
    "public/reports/2026-11/m00.html",
    "public/reports/2025-10/m02.html",
    "private/watches.html",
)


class Visit:
    """One page opened in a fresh context; requests that leave the machine and complaints are collected."""

    def __init__(self, chromium: Any, path: Any, width: int = 1280, **options: Any) -> None:
        self.context = chromium.new_context(viewport={"width": width, "height": 800}, **options)
        self.page = self.context.new_page()
        self.outside: list[str] = []
        self.complaints: list[str] = []
        self.page.route(re.compile(r"^(?!file://)"), self._refuse)
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(path.as_uri())

    def _refuse(self, route: Any) -> None:
        self.outside.append(route.request.url)
        route.abort()

    def __enter__(self) -> Any:
        return self

    def __exit__(self, *_: Any) -> None:
        self.context.close()

    def run(self, script: Any) -> Any:
        return self.page.evaluate(script)
