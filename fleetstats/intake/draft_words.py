"""Guesses what a word of a sheet means among the words that a field allows."""

import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from fleetstats.components import CARTRIDGE, SLEEVE, role_of
from fleetstats.intake.draft_headers import component_named
from fleetstats.intake.fields import Column, plain
from fleetstats.intake.import_map import BLANKS
from fleetstats.intake.words import BLANK, NOTHING, same_word


@dataclass(frozen=True, slots=True)
class WordGuess:
    """A guess at what a word means, empty where none is honest, and why."""

    answer: str
    why: str


_NO_GUESS: Final = WordGuess("", "not understood: write what it means, or leave blank to set it aside")
#: Signs of an allowed word, in the order they are tried.
_SIGNS: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "tank_material": (
        ("concrete", r"conc|cement|ferro"),
        ("fibreglass", r"fib(re|er) ?glass|\bfrp\b|\bgrp\b|glass"),
        ("poly", r"poly|plast|\bpe\b|\bhdpe\b|\bpvc\b"),
        ("steel", r"steel|metal|iron|galv|zinc"),
        ("timber", r"timber|wood|cedar"),
    ),
    "roof_material": (
        ("concrete_tile", r"conc\w* tile"),
        ("clay_tile", r"clay|terracotta|terra cotta"),
        ("timber", r"cedar|shake|wood|timber"),
        ("asphalt_shingle", r"asphalt|shingle|bitum|composition"),
        ("slate", r"slate"),
        ("metal", r"metal|steel|iron|seam|tin\b|zinc|alumin|corrug|copper"),
        ("membrane", r"membrane|rubber|epdm|tpo|flat"),
        ("other", r"tile"),
    ),
    "tree_cover": (
        ("none", r"^(no|none|clear|open|nil|0)\b"),
        ("heavy", r"heav|lots|many|dense|thick|full|surround"),
        ("some", r"some|few|light|medium|moderate|partial|one|yes"),
    ),
    "visit_reason": (
        ("commission", r"instal|commission|new system|start.?up|set.?up"),
        ("callout", r"call|emerg|urgent|break.?down|fault|repair|complaint|unplanned"),
        ("routine", r"serv|svc|routine|\bmo\b|month|annual|yearly|planned|regular|maint|schedul|check"),
    ),
    "callout_cause": (
        ("uv_alarm", r"\buv\b|alarm|beep|lamp|red light"),
        ("tank_empty", r"empty|no water|out of water|ran dry|dry tank"),
        ("low_pressure", r"pressure|weak flow|low flow|slow|trickle"),
        ("leak", r"leak|drip|wet"),
        ("failed_sample", r"sample|test|coli|bacteria|lab"),
        ("taste_odour", r"taste|smell|odou?r|stink"),
        ("discoloured", r"colou?r|brown|yellow|cloud|dirty|murky"),
        ("pump", r"pump"),
    ),
    "occupancy": (
        ("seasonal", r"season|holiday|summer|weekend|bach|part.?time|vacation"),
        ("all_year", r"year|full|perm|always"),
    ),
    "pressure_read": (("after_work", r"after|post"), ("before_work", r"before|pre")),
    "yes_no": (("no", r"^(n|no|none|false|0|not?\b.*)$"), ("yes", r"^(y|yes|true|1|ok|fitted)\b")),
}
_ACTIONS: Final = (
    ("removed", r"remov|taken out|bypass"),
    ("replaced", r"chang|replac|\bnew\b|swap|renew|\bchg"),
    ("fitted", r"install|fitted|\bfit\b|commission"),
    ("cleaned", r"wip|clean|wash|rins|polish|flush"),
    ("inspected", r"check|inspect|look|\bok(ay)?\b|good|fine|test"),
)
_CONDITIONS: Final = (
    ("blocked", r"block|clog|plug|choked|no flow"),
    ("scaled", r"scal|calci|lime|chalk"),
    ("failed", r"dead|fail|burn|blown|not lit|out\b.*lamp|no light|faulty"),
    ("leaking", r"leak|drip"),
    ("damaged", r"damag|crack|broke|chip|split|torn"),
    ("loaded", r"dirt|load|brown|film|muck|slim|foul|half|grub"),
    ("expired", r"\bdue\b|expir|hours|overdue|out of date|life|end of"),
    ("good", r"\bok(ay)?\b|good|fine|\bclean\b|as new"),
)
#: Cells that say no more than that what the header names was done: "Sleeve cleaned: Y".
_TICK: Final = re.compile(r"y|yes|true|x|xx|1|\u2713|\u2714|\u2611|done")
#: The material of a cartridge, not what was found.
_CARBON_BLOCK: Final = re.compile(r"\b(carbon|activated|extruded) block\b|\bblock carbon\b")
#: Words that only repeat which part is meant, or that say no more than the action does.
_LEFT_OVER: Final = re.compile(
    r"\b(\w*chang\w*|replac\w*|new|swap\w*|renew\w*|install\w*|fitted|fit|wip\w*|clean\w*|wash\w*|check\w*|"
    r"inspect\w*|was|very|some|lamp|bulb|filter|cartridge|sleeve|sediment|carbon|quartz|uv|and|with|the|removed)\b|[^\w]+"
)


def guess_word(word: str, column: Column) -> WordGuess:
    """Return a guess at the allowed word of a field that a word means."""
    bare = same_word(word)
    if bare in BLANKS:
        return WordGuess(BLANK, "says no more than a blank cell")
    allowed = ("yes", "no") if column.kind == "yes_no" else column.words
    if plain(word) in allowed:
        return WordGuess(plain(word), "an allowed word")
    if column.kind not in ("word", "yes_no"):
        return _NO_GUESS
    for answer, pattern in _SIGNS.get("yes_no" if column.kind == "yes_no" else column.name, ()):
        if re.search(pattern, bare):
            if answer == "other":
                kinds = " or ".join(name for name in allowed if re.search(pattern, name))
                return WordGuess(answer, f"{kinds}? write which, if you know")
            return WordGuess(answer, "sounds like it")
    return _NO_GUESS


def guess_work(word: str, component: str, header: str = "") -> WordGuess:
    """Return a guess at what a cell's word says was done to a component, and what was found.

    `changed` alone says nothing of what was found: the condition stays unknown. A tick says that what the
    `header` names was done.
    """
    bare = _CARBON_BLOCK.sub("carbon", same_word(word))
    if _TICK.fullmatch(bare):
        return _ticked(component, header)
    if bare in BLANKS:
        return WordGuess(BLANK, "says no more than a blank cell")
    if re.fullmatch(r"n|no|none|false|0|not (done|needed|changed|due)|skipped", bare):
        return WordGuess(NOTHING, "nothing was done")
    action = next((name for name, pattern in _ACTIONS if re.search(pattern, bare)), None)
    condition = _condition(bare, action, component)
    if action is None and condition is None:
        return _NO_GUESS
    if action is None:
        return WordGuess(
            f"inspected, {condition}", f"says what was found ({condition}) and nothing was changed"
        )
    if condition is None:
        left = _LEFT_OVER.sub("", bare)
        doubt = f"; '{left}' was not understood" if left and len(left) > 2 else ""
        return WordGuess(action, f"says what was done, not what was found: condition unknown{doubt}")
    told = f"{action}, and found {condition}"
    if condition == "good" and action in ("replaced", "fitted"):
        told += "; if 'ok' is said of the new part, answer the action alone"
    return WordGuess(f"{action}, {condition}", told)


def _ticked(component: str, header: str) -> WordGuess:
    """Return what a bare yes means: what the header says, else a change; a sleeve may be wiped or changed."""
    named = same_word(header)
    action = next((name for name, pattern in _ACTIONS if re.search(pattern, named)), None)
    if action is None and role_of({}, component) is SLEEVE:
        return WordGuess("", "a tick: write which, cleaned or replaced, or leave blank to set it aside")
    if action is None:
        return WordGuess("replaced", "a tick: taken as changed; the condition is unknown")
    return WordGuess(action, f"a tick under '{header}': what was found is unknown")


def _condition(bare: str, action: str | None, component: str) -> str | None:
    for name, pattern in _CONDITIONS:
        found = re.search(pattern, bare)
        if not found or (name == "scaled" and role_of({}, component) is CARTRIDGE):
            continue
        if name == "good" and action == "cleaned" and "ok" not in bare and "good" not in bare:
            continue  # `clean` is what was done
        return name
    return None


def guess_item(word: str, components: Collection[str]) -> WordGuess:
    """Return a guess at the component, action and finding that the text of an item names."""
    component = component_named(word)
    if component is None or component not in components:
        return WordGuess(NOTHING, "names no component: read as no work on one")
    work = guess_work(word, component)
    if work.answer in ("", BLANK, NOTHING):
        return WordGuess(
            f"{component}, replaced", f"an item of a {component.replace('_', ' ')}: taken as put in"
        )
    return WordGuess(f"{component}, {work.answer}", work.why)
