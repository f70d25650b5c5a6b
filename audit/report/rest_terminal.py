"""A rest pose in a few lines for the terminal: how the rig stands, and what was found, the worst first."""

from __future__ import annotations

from audit.report import rest_words as words
from audit.report.words import shown
from audit.results import Document
from audit.wording import plural

MOST_LINES = 60
"""A longer list scrolls its own head off the screen."""


def rest_lines(document: Document) -> str:
    """Return a rest pose as text: one line a finding. No line break at the end.

    Parameters
    ----------
    document
        As it stands in ``rest.json``.
    """
    lines = [
        f"{shown(document['source']['file'])}: {words.title(document)}",
        shown(words.detail(document)),
    ]
    facts = {fact.matter: fact for fact in words.facts(document)}
    stands = [
        f"{matter.lower() if place else matter} {facts[matter].what} ({facts[matter].how})"
        for place, matter in enumerate(("Up", "Faces", "Unit", "Height"))
    ]
    lines.append(f"{'; '.join(stands)}.")
    findings = document["findings"]
    if findings:
        lines.append("")
    wide = len(str(len(findings)))
    for finding in findings[:MOST_LINES]:
        start = f"{finding['number']:>{wide}}  {finding['severity']:<4}  {finding['check']:<18}"
        waived = f" [{words.waived(finding)}]" if finding["waiver"] else ""
        lines.append(f"{start}  {shown(finding['message'] + waived)}")
    left = len(findings) - MOST_LINES
    if left > 0:
        lines.append(f"{plural(left, 'more finding')}: they are on the page and in the JSON.")
    return "\n".join(lines)
