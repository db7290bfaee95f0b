"""What a page must keep to so that everyone can use it, checked inside the browser.

``violations(page)`` asks axe, the checker of Deque Systems, with all its rules: WCAG A and AA, and its best practices. Its script comes
with the package and is put into the page, so nothing is fetched. ``problems(page)`` adds what axe does not look at, or leaves undecided:
captions and scopes of tables, words for drawings, and contrast inside of drawings (WCAG 2.1: 1.1.1, 1.3.1, 1.4.3, 1.4.11).
"""

from typing import Any

from axe_playwright_python.sync_playwright import Axe

CONTRAST = {"runOnly": ["color-contrast", "link-in-text-block"]}
"""The rules whose answer depends on colours."""

PROBLEMS = r"""() => {
  const found = [];
  const bad = (rule, element) => found.push(rule + ': ' + (element.outerHTML || element).slice(0, 90));
  const all = (selector) => [...document.querySelectorAll(selector)];
  const name = (e) => (e.getAttribute('aria-label') || e.textContent || '').trim();
  const shown = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== 'hidden';

  // Links into the page need ids that are there once.
  const ids = all('[id]').map(e => e.id);
  ids.filter((id, at) => ids.indexOf(id) !== at).forEach(id => bad('id twice', id));
  all('nav').forEach(n => { if (!n.getAttribute('aria-label')) bad('nameless navigation', n); });

  // 1.3.1 tables: a caption, headings of columns and rows with their scope, as many cells as columns
  all('table').forEach(table => {
    if (!table.caption || !name(table.caption)) bad('table without caption', table);
    const columns = table.querySelectorAll('thead th').length;
    if (!columns) bad('table without headings', table);
    table.querySelectorAll('th').forEach(th => { if (!th.scope) bad('heading without scope', th); });
    table.querySelectorAll('tbody tr').forEach(tr => { if (tr.children.length !== columns) bad('cells missing', tr); });
    table.querySelectorAll('tbody tr').forEach(tr => { if (tr.children[0].tagName !== 'TH') bad('row without heading', tr); });
  });

  // 1.1.1 drawings: words, or hidden from those who listen
  all('svg').forEach(s => {
    if (s.parentElement.closest('svg') || s.closest('[aria-hidden=true]')) return;
    if (!s.closest('[role=img]')) bad('drawing without a role', s);
  });
  all('[role=img]').forEach(i => { if ((i.getAttribute('aria-label') || '').length < 40) bad('drawing without words', i); });
  all('figure').forEach(f => { if (!f.querySelector('figcaption')) bad('figure without caption', f); });

  // 1.4.3 contrast of text in drawings, 1.4.11 of lines
  const canvas = Object.assign(document.createElement('canvas'), {width: 1, height: 1}).getContext('2d', {willReadFrequently: true});
  const rgb = (colour) => {
    canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = colour; canvas.fillRect(0, 0, 1, 1);
    return canvas.getImageData(0, 0, 1, 1).data;
  };
  const luminance = ([r, g, b]) => {
    const [x, y, z] = [r, g, b].map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const behind = (e) => {
    for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] > 252) return c; }
    return [255, 255, 255, 255];
  };
  const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const check = (selector, needed, rule, colour) => all(selector).filter(shown).forEach(e => {
    const is = ratio(rgb(getComputedStyle(e)[colour]), behind(e));
    if (is < needed) bad(rule + ' ' + is.toFixed(2), e);
  });
  check('svg text', 4.5, 'contrast in a drawing', 'fill');
  check('.mark-line path', 3, 'line contrast', 'stroke');
  return found;
}"""


def unfold(page: Any) -> None:
    """Open all that is folded, because checkers pass over what is hidden."""
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")


def shorten(page: Any) -> None:
    """Leave four rows in each table: the others come from the same templates, and axe takes a minute for ten thousand cells."""
    page.evaluate("document.querySelectorAll('tbody tr:nth-child(n + 5)').forEach(row => row.remove())")


def violations(page: Any, options: Any = None) -> list[str]:
    """What axe says is wrong with a page, everything unfolded: rule, how grave, and the first place."""
    unfold(page)
    found = Axe().run(page, options={"resultTypes": ["violations"], **(options or {})}).response["violations"]
    return [f"{rule['id']} ({rule['impact']}): {rule['nodes'][0]['html'][:90]}" for rule in found]


def problems(page: Any) -> list[str]:
    """What else is wrong with it."""
    unfold(page)
    found: list[str] = page.evaluate(PROBLEMS)
    return found
