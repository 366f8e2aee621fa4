"""Words of the trade that explain themselves where they stand."""

import re

from markupsafe import Markup, escape

from calib.desk.words import SPOKEN, WORDS

_FOUND = re.compile(rf"\b({'|'.join(sorted(SPOKEN, key=len, reverse=True))})\b", re.IGNORECASE)


def word(term: str, shown: str = "", n: int | str = "") -> Markup:
    """Return a word that tells its meaning when it is touched.

    Parameters
    ----------
    shown : str
        How it is called here; as the term where empty.
    n : int or str
        Tells apart those of one page that are about the same term.
    """
    name = f"w-{re.sub('[^a-z0-9]+', '-', term.lower().replace('±', 'pm'))}{n}"
    said = shown or term
    return Markup(
        '<button type="button" class="word" popovertarget="{name}" aria-label="{said}: what is that?">'
        '{said}</button><span popover id="{name}" role="note"><b>{said}</b>: {meaning}</span>'
    ).format(name=name, said=said, meaning=WORDS[term])


def explained(text: str, n: int | str = "") -> Markup:
    """Return a sentence in which each word of the trade explains itself where it first stands."""
    told: set[str] = set()
    parts = []
    for i, part in enumerate(_FOUND.split(text)):
        term = SPOKEN.get(part.lower(), "") if i % 2 else ""
        parts.append(word(term, part, f"-{n}") if term and term not in told else escape(part))
        told.add(term)
    return Markup("").join(parts)
