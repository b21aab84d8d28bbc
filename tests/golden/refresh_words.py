"""Collects every text that a reader sees into the translations, and compiles them.

``python -m tests.golden.refresh_words`` after texts were changed: new ones stand without a translation until somebody
writes it, old ones go. The test beside it fails on a text that has none.
"""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_python
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

ROOT = Path(__file__).resolve().parent.parent.parent
LOCALE = ROOT / "surveys" / "locale"
KEYWORDS = {
    "gettext": None, "gettext_lazy": None, "gettext_noop": None, "_": None,
    "ngettext": (1, 2), "ngettext_lazy": (1, 2), "pgettext": ((1, "c"), 2), "npgettext": ((1, "c"), 2, 3),
}  # fmt: skip
#: Pages that stay English and say so: for programs, researchers and those who read the methods.
LEFT_IN_ENGLISH = (
    "methods.html",
    "codebook.html",
    "problem.html",
    "threats.html",
    "assessment.html",
    "size.html",
    "text.html",
)

Message = str | tuple[str, ...]


def sources() -> Iterator[tuple[Path, str]]:
    """Yield every file that may hold texts, with what is read from it."""
    from django.utils.translation.template import templatize

    for path in sorted((ROOT / "surveys").rglob("*.py")):
        if "migrations" not in path.parts:
            yield path, path.read_text(encoding="utf-8")
    for path in sorted((ROOT / "surveys" / "templates").rglob("*.*")):
        if path.name not in LEFT_IN_ENGLISH:
            words = templatize(path.read_text(encoding="utf-8"), origin=str(path))
            yield path, "\n".join(line.lstrip() for line in words.splitlines())  # a page's indentation means nothing


def marked_texts() -> Iterator[Message]:
    """Yield every text that is marked for translation in code and templates: a pair where there is a plural."""
    for path, text in sources():
        try:
            found = list(extract_python(io.BytesIO(text.encode()), list(KEYWORDS), ["Translators:"], {}))
        except Exception as fault:
            raise SystemExit(f"The texts of {path} could not be read: {fault}") from fault
        for _, name, message, _ in found:
            if name in ("pgettext", "npgettext"):
                raise SystemExit(f"{path} marks a text with a context; none is collected yet.")
            texts = tuple(part for part in (message if isinstance(message, tuple) else (message,)) if part)
            if texts:
                yield texts[:2] if name.startswith("n") else texts[0]


def stored_texts() -> Iterator[str]:
    """Yield the English texts that come out of lists and tables, and are shown through ``said`` or ``say``."""
    from surveys import vocabulary
    from surveys.methods.protocol_checks_list import TITLES
    from surveys.vocabulary import Word

    yield from TITLES.values()

    for one in vars(vocabulary).values():
        if isinstance(one, type) and issubclass(one, Word) and one is not Word:
            yield from (word.label for word in one if word.label)
    for name, columns in (("groups", ("name", "how_to_tell", "size", "soil_role")), ("habitats", ("label", "hint"))):
        for row in json.loads((ROOT / "fixtures" / "reference" / f"{name}.json").read_text(encoding="utf-8")):
            yield from (row[column] for column in columns if row.get(column))


def collected() -> Catalog:
    """Return a catalogue of every text, without translations."""
    catalog = Catalog(project="trapnight")
    for message in (*marked_texts(), *stored_texts()):
        catalog.add(message)
    return catalog


def read_catalogue(language: str) -> Catalog:
    """Return the translations of a language as they are written down."""
    path = LOCALE / language / "LC_MESSAGES" / "django.po"
    if not path.exists():
        return Catalog(locale=language)
    return read_po(io.BytesIO(path.read_bytes()), locale=language)


def compiled(catalog: Catalog) -> bytes:
    """Return the translations as gettext reads them."""
    into = io.BytesIO()
    write_mo(into, catalog)
    return into.getvalue()


def refresh(language: str, added: dict[str, str] | None = None) -> int:
    """Bring one language up to date; return how many texts have no translation."""
    catalog = read_catalogue(language)
    catalog.update(collected(), no_fuzzy_matching=True)
    catalog.obsolete.clear()
    # Nothing in the head changes from one day to the next.
    catalog.project, catalog.version, catalog.fuzzy = "Trapnight", "1", False
    catalog.header_comment = "# The words of Trapnight. Texts are collected by tests/golden/refresh_words.py."
    catalog.creation_date = catalog.revision_date = datetime(2026, 1, 1, tzinfo=UTC)
    catalog.last_translator, catalog.language_team, catalog.msgid_bugs_address = "", "", ""
    for message in catalog:
        if isinstance(message.id, str) and message.id and not message.string:
            message.string = (added or {}).get(message.id, "")
    folder = LOCALE / language / "LC_MESSAGES"
    folder.mkdir(parents=True, exist_ok=True)
    into = io.BytesIO()
    write_po(into, catalog, width=120, no_location=True, sort_output=True, omit_header=False)
    (folder / "django.po").write_bytes(into.getvalue())
    (folder / "django.mo").write_bytes(compiled(catalog))
    return sum(1 for message in catalog if message.id and not all(_strings(message.string)))


def _strings(string: str | tuple[str, ...] | list[str]) -> tuple[str, ...]:
    return (string,) if isinstance(string, str) else tuple(string)


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")
    os.environ.setdefault("DATABASE_URL", "postgresql:///none")
    import django

    django.setup()
    from surveys.vocabulary import Language

    for one in Language:
        if one != Language.ENGLISH:
            print(f"{one}: {refresh(one.value)} texts without a translation")
