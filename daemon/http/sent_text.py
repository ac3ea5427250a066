"""What of a page file's text is sent: no comments, no spaces that mean nothing, short names inside functions. Pure text.

It is `minify`'s work (tdewolff-minify on PyPI). Where that cannot be imported the text is sent as it is.
"""

try:
    import minify
except (ImportError, OSError):  # OSError: its shared library does not fit this system
    minify = None
else:
    # Style sheets may ask for an attribute that has its default value.
    minify.config({"html-keep-default-attr-vals": True})

TEXTS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}
"""Kinds of files that are sent lean."""


def sent_text(text: str, kind: str) -> str:
    """The text as it is sent; `kind` is the file's suffix, one of TEXTS. What cannot be parsed is left for the browser to complain of."""
    if minify is None:
        return text
    try:
        lean: str = minify.string(TEXTS[kind], text)
    except minify.MinifyError:
        return text
    return lean
