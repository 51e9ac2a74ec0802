"""Tables that everyone can read: each with a caption, scopes, and a place of its own to scroll.

On a narrow page a row becomes a card (`style.css`): each cell then carries the heading of its
column.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bs4 import BeautifulSoup

_HEADING = re.compile(r"<h[1-3][\s>]")
_TABLE_OR_HEADING = re.compile(r"(<table[\s>].*?</table>|<h[1-3][\s>].*?</h[1-3]>)", re.DOTALL)


def named_tables(html: str, above: str = "Table") -> str:
    """Name every table after the heading above it, and its cells after their columns.

    `above` is the heading above a page's body. Each table has a caption then and is in a group of
    that name, headings have a scope, the first cell of a row is its heading, and the others have
    ``data-label``.

    Examples
    --------
    >>> print(named_tables("<h2>Lots</h2><table><tbody><tr><td>a</td></tr></tbody></table>"))
    <h2>Lots</h2><div aria-label="Lots" class="wide" role="group" tabindex="0"><table>\
<caption>Lots</caption><tbody><tr><th scope="row">a</th></tr></tbody></table></div>
    """
    seen = Counter[str]()
    parts = []
    for part in _TABLE_OR_HEADING.split(html):  # the rest need not be parsed
        if part.startswith("<table"):
            seen[above] += 1
            name = above if seen[above] == 1 else f"{above}, table {seen[above]}"
            parts.append(_named(part, name))
            continue
        if _HEADING.match(part):
            above = _parsed(part).get_text().strip()
        parts.append(part)
    return "".join(parts)


def _parsed(html: str) -> BeautifulSoup:
    from bs4 import BeautifulSoup

    return BeautifulSoup(html, "html.parser")


def _named(html: str, name: str) -> str:
    """Name one table and its cells."""
    page = _parsed(html)
    table = page.table
    assert table is not None  # what is parsed begins with one
    caption = page.new_tag("caption")
    caption.string = name
    table.insert(0, caption)
    label = {"class": "wide", "role": "group", "tabindex": "0", "aria-label": name}
    table.wrap(page.new_tag("div", attrs=dict(sorted(label.items()))))
    heads: list[str] = []
    for row in table.thead.find_all("tr") if table.thead else ():
        cells = row.find_all("th")
        for head in cells:
            head["scope"] = "colgroup" if str(head.get("colspan", "1")) != "1" else "col"
        heads = [head.get_text().strip() for head in cells]  # at last those of the lowest row
    for row in table.tbody.find_all("tr") if table.tbody else ():
        first, *others = row.find_all(True, recursive=False)
        first.name = "th"
        first["scope"] = "row"
        for cell, column in zip(others, heads[1:]):
            cell["data-label"] = column
    return str(page)
