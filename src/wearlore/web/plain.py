"""Pages that are one piece of HTML without scripts: signing in, what is refused or missing, the interface's list."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from wearlore.web.frame import MARK, style_address

HEAD = """<!doctype html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · Wearlore</title>
<link rel="icon" href="data:image/svg+xml,{mark}">
<link rel="stylesheet" href="{style}">
</head>
<body>
<div class="bench">
<header class="top"><a href="/" class="mark">Wearlore</a></header>
<main>
<h1>{title}</h1>
"""
FOOT = """
</main>
</div>
</body>
</html>
"""


def page(title: str, body: str) -> bytes:
    """A page of our look; ``body`` is HTML, the title is text."""
    head = HEAD.format(title=escape(title), style=escape(style_address()), mark=quote(MARK))
    return (head + body + FOOT).encode()


def refusal(title: str, detail: str) -> bytes:
    """A page that says what is not done, and why."""
    body = f'<div role="alert" class="problem"><p>{escape(detail)}</p></div>\n<p><a href="/">To the family</a></p>'
    return page(title, body)
