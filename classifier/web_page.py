"""Pages that need nothing but themselves: one template, its style and scripts, pictures inside.

    text = rendered("report.html.j2", {"rows": rows}, "report.js")

Every page shares `page.css` and `page.js` (the choice of light). What comes from a header or a file
name is escaped by the template engine. The page's own policy lets run only the scripts whose
checksums it names and lets nothing be fetched, so that even text that slipped through as markup
could neither act nor call home.
"""

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

HOME = Path(__file__).parent


def rendered(template: str, values: Mapping[str, Any], *scripts: str, folder: Path = HOME) -> str:
    """The page as text. values: what the template shows; scripts: file names, run at its end.
    folder: where the template lies, if not here."""
    first, later = _own("page.js"), [_own(name) for name in scripts]
    allowed = " ".join(f"'sha256-{_checksum(each)}'" for each in (first, *later))
    head = {
        "policy": f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"script-src {allowed}; base-uri 'none'; form-action 'none'",
        "style": _own("page.css"),
        "first_script": first,
        "later_scripts": later,
    }
    return _template(template, folder).render({**head, **values})


@cache
def _template(name: str, folder: Path) -> jinja2.Template:
    """A template; to compile one takes as long as to label a small frame."""
    engine = jinja2.Environment(
        loader=jinja2.FileSystemLoader([folder, HOME]),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return engine.get_template(name)


@cache
def _own(name: str) -> Markup:
    """A style or script of ours, which needs no escaping."""
    return Markup((HOME / name).read_text(encoding="utf-8"))


def _checksum(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")


def data_url(content: bytes) -> str:
    """A picture as an address that holds it; empty for none. PNG and JPEG are told apart."""
    if not content:
        return ""
    kind = "png" if content.startswith(b"\x89PNG") else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(content).decode('ascii')}"
