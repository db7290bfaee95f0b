"""What a page must keep to so that everyone can use it, checked inside the browser: the parts of WCAG 2.1 AA that apply to pages of text,
tables and drawings. ``problems(page)`` lists what is wrong, in words.

No checker of others is installed; these are written from the success criteria named beside them (W3C, WCAG 2.1, 2018).
"""

PROBLEMS = r"""() => {
  const found = [];
  const bad = (rule, element) => found.push(rule + ': ' + (element.outerHTML || element).slice(0, 90));
  const all = (selector) => [...document.querySelectorAll(selector)];
  const name = (e) => (e.getAttribute('aria-label') || e.textContent || '').trim();
  const shown = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== 'hidden';

  // 3.1.1 language, 2.4.2 title, 4.1.1 ids
  if (!document.documentElement.lang) bad('no language', document.documentElement);
  if (!document.title.trim()) bad('no title', 'head');
  const ids = all('[id]').map(e => e.id);
  ids.filter((id, at) => ids.indexOf(id) !== at).forEach(id => bad('id twice', id));

  // 1.3.1 headings: one h1 first, no level left out, none empty
  const headings = all('h1, h2, h3, h4, h5, h6');
  if (headings.filter(h => h.tagName === 'H1').length !== 1) bad('not one h1', 'body');
  headings.reduce((before, h) => {
    const level = Number(h.tagName[1]);
    if (level > before + 1) bad('heading leaves out a level', h);
    if (!name(h)) bad('empty heading', h);
    return level;
  }, 0);

  // 1.3.1 landmarks: one main, navigation with a name, all text in a landmark
  if (all('main').length !== 1) bad('not one main', 'body');
  all('nav').forEach(n => { if (!n.getAttribute('aria-label')) bad('nameless navigation', n); });
  [...document.body.children].forEach(e => {
    if (!['MAIN', 'NAV', 'HEADER', 'FOOTER', 'SCRIPT', 'STYLE'].includes(e.tagName)) bad('outside of landmarks', e);
  });

  // 1.3.1 tables: a caption, headings of columns and rows with their scope, as many cells as columns
  all('table').forEach(table => {
    if (!table.caption || !name(table.caption)) bad('table without caption', table);
    const columns = table.querySelectorAll('thead th').length;
    if (!columns) bad('table without headings', table);
    table.querySelectorAll('th').forEach(th => {
      if (!th.scope) bad('heading without scope', th);
      if (!name(th)) bad('empty heading of a column or row', th);
    });
    table.querySelectorAll('tbody tr').forEach(tr => { if (tr.children.length !== columns) bad('cells missing', tr); });
    table.querySelectorAll('tbody tr').forEach(tr => { if (tr.children[0].tagName !== 'TH') bad('row without heading', tr); });
  });

  // 1.1.1 pictures: text, or hidden from those who listen
  all('img').forEach(i => { if (!i.hasAttribute('alt')) bad('picture without text', i); });
  all('svg').forEach(s => {
    if (s.parentElement.closest('svg') || s.closest('[aria-hidden=true]')) return;
    if (!s.closest('[role=img]')) bad('drawing without a role', s);
  });
  all('[role=img]').forEach(i => { if ((i.getAttribute('aria-label') || '').length < 40) bad('drawing without words', i); });
  all('figure').forEach(f => { if (!f.querySelector('figcaption')) bad('figure without caption', f); });

  // 2.4.4 links and 4.1.2 names
  all('a').forEach(a => { if (!a.getAttribute('href') || !name(a)) bad('link without words or target', a); });
  all('a').forEach(a => {
    if (shown(a) && !getComputedStyle(a).textDecorationLine.includes('underline')) bad('link told by colour alone', a);
  });
  all('button, input, select, textarea').forEach(c => { if (!name(c) && !c.labels?.length) bad('control without label', c); });
  all('details').forEach(d => { if (d.firstElementChild?.tagName !== 'SUMMARY') bad('details without summary', d); });
  all('[tabindex]').forEach(t => { if (t.tabIndex > 0) bad('order of its own', t); if (!name(t)) bad('stop without a name', t); });

  // 1.3.1 lists
  all('ul, ol').forEach(l => { if ([...l.children].some(c => c.tagName !== 'LI')) bad('list with something else in it', l); });
  all('ul, ol').forEach(l => { if (!l.children.length) bad('empty list', l); });
  all('dl').forEach(l => { if (!l.querySelector('dt') || !l.querySelector('dd')) bad('empty description list', l); });

  // 1.4.3 contrast of text, 1.4.11 of lines
  const canvas = Object.assign(document.createElement('canvas'), {width: 1, height: 1}).getContext('2d', {willReadFrequently: true});
  const rgba = (colour) => {
    canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = colour; canvas.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data; return [r, g, b, a / 255];
  };
  const seen = new Map();
  const cached = (colour) => { if (!seen.has(colour)) seen.set(colour, rgba(colour)); return seen.get(colour); };
  const luminance = ([r, g, b]) => {
    const [x, y, z] = [r, g, b].map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const behind = (e) => {
    for (; e; e = e.parentElement) { const c = cached(getComputedStyle(e).backgroundColor); if (c[3] > 0.99) return c; }
    return [255, 255, 255, 1];
  };
  const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const checked = new Set();
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || checked.has(e) || !shown(e) || e.closest('style, script')) continue;
    checked.add(e);
    const style = getComputedStyle(e), size = parseFloat(style.fontSize);
    const colour = e.namespaceURI.endsWith('svg') ? style.fill : style.color;
    const needed = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700) ? 3 : 4.5;
    const is = ratio(cached(colour), behind(e));
    if (is < needed) bad('contrast ' + is.toFixed(2), e);
  }
  all('.mark-line path').forEach(p => {
    const is = ratio(cached(getComputedStyle(p).stroke), behind(p));
    if (is < 3) bad('line contrast ' + is.toFixed(2), p);
  });
  return found;
}"""


def problems(page) -> list[str]:
    """What is wrong with a page, everything unfolded."""
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    return page.evaluate(PROBLEMS)
