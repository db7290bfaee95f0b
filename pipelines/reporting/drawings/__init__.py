"""The drawings of the pages: values go in, and out come SVG elements with the same in words and in figures.

``lines``, ``look_curve`` and ``tornado`` are laid out by Vega-Lite (``vega``; specifications in reports/charts), ``bars``, ``spreads``, ``stacked``,
``timeline``, ``multiples`` and the ``share_picture`` are put together here (``rows``), because a report of many months draws hundreds of them and Vega needs some 40 ms for one. ``look`` has
the one palette and the one size of text, ``elements`` makes and writes SVG, ``chart`` is what a page gets. A drawing is the same bytes
each time, has no ids, loads nothing, and takes its colours from the page's style sheet.
"""
