"""Answers as plain text tables, for the command line: the same facts as the screens, in monospace."""

from collections.abc import Mapping, Sequence
from typing import Any

Answer = Mapping[str, Any]

SHOWN_LOOKS = 12
SHOWN_PAIRS = 6
"""Pairs of two or three lines each that fit a screen of text with what follows them."""


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns padded to their widest cell; the last one is free to run on."""
    lines = [head, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    return "\n".join(
        "  ".join(cell if column == len(head) - 1 else cell.ljust(widths[column]) for column, cell in enumerate(line))
        for line in lines
    )


def number(value: float | None, digits: int = 0) -> str:
    """A number, or a dash where there is none; what rounds to nought has no sign."""
    return "-" if value is None else f"{round(value, digits) + 0.0:.{digits}f}"


def span(value: Mapping[str, float | None] | None, middle: str, low: str, high: str, digits: int = 0) -> str:
    """A figure with its interval: `12 (9 to 15)`."""
    if value is None or value.get(middle) is None:
        return "-"
    return f"{number(value[middle], digits)} ({number(value[low], digits)} to {number(value[high], digits)})"


def pots_table(answer: Answer) -> str:
    """`dryline pots`: a line a pot."""
    rows = [
        [
            pot["pot"],
            pot["shelf"] or "-",
            number(pot["level_mm"]),
            span(pot["water_use_ml_per_day"], "value", "low", "high"),
            span(pot["days_left"], "p50", "p10", "p90"),
            span(pot["dry_layer_mm"], "p50", "p10", "p90"),
            pot["rests_on"],
            pot["says"],
        ]
        for pot in answer["pots"]
    ]
    if not rows:
        return "No pot is in the logbook yet: `dryline import setup FILE`, or add the first one on the Workshop screen."
    return table(
        ["pot", "shelf", "level mm", "use mL/day", "days left", "dry layer mm", "rests on", "says"],
        rows,
    )


def check_list(answer: Answer) -> str:
    """`dryline check`: what needs attention, worst first, or that nothing does."""
    lines = [f"{finding['kind'].replace('_', ' ')}: {finding['says']}" for finding in answer["findings"]]
    lines.append(answer["says"])
    lines += [f"Good to know: {one['says']}" for one in answer["told"]]
    return "\n".join(lines)


def alerts_list(answer: Answer) -> str:
    """`dryline alerts`: what needs the grower, most pressing first."""
    rows = [[one["pot"] or one["shelf"] or "-", one["kind"].replace("_", " "), one["says"]] for one in answer["alerts"]]
    return "\n\n".join([table(["where", "what", "says"], rows), answer["says"]]) if rows else str(answer["says"])


def round_list(answer: Answer) -> str:
    """`dryline round`: a table a visit, what cannot wait, and the plan of an absence."""
    parts = [answer["says"]]
    for visit in answer["visits"]:
        if visit["pots"]:
            head = f"{visit['date']}: mix {number(visit['litres_to_mix'], 1)} L"
            rows = [[*row, _with_it(pot)] for row, pot in zip(_pours(visit["pots"]), visit["pots"], strict=True)]
            parts.append(f"{head}\n{table(['pot', 'shelf', 'pour mL', 'days left then', 'water'], rows)}")
    parts += [f"{one['pot']} cannot wait: {one['says']}" for one in answer["cannot_wait"]]
    unplanned: dict[str, list[str]] = {}
    for one in answer["unplanned"]:
        unplanned.setdefault(one["says"], []).append(one["pot"])
    parts += [f"{', '.join(pots)}: {says}" for says, pots in unplanned.items()]
    flush = [one for one in answer["salts"] if one["due"] == "now"]
    parts += [f"{one['pot']}: {one['says']}" for one in flush]
    if answer["away"] is not None:
        parts += _away(answer["away"])
    return "\n\n".join(parts)


def _pours(pots: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    return [
        [
            pot["pot"],
            pot["shelf"],
            _range(pot["fill_ml"], pot["fill_at_most_ml"]),
            span(pot.get("days_left"), "p50", "p10", "p90"),
        ]
        for pot in pots
    ]


def _range(least_ml: float | None, most_ml: float | None) -> str:
    """What goes in at least and at most; where nobody measured the reservoir the mark alone says it."""
    if least_ml is None or most_ml is None:
        return "to the mark"
    least, most = number(least_ml), number(most_ml)
    return most if least == most else f"{least} to {most}"


def _with_it(pot: Mapping[str, Any]) -> str:
    """Feed or plain, a flush with it, and whether the level is but a guess."""
    words = [
        pot["water"] or "",
        "flush from the top" if pot["flush"] else "",
        f"only to {number(pot['fill_mark_mm'])} mm until new roots are in" if pot["eased"] else "",
        "" if pot["level_is_known"] else "look first",
    ]
    return ", ".join(word for word in words if word) or "-"


def _away(away: Answer) -> list[str]:
    parts = [f"Away {away['from']} to {away['to']}: {away['says']}"]
    if away["fill_before"]:
        rows = [row[:3] for row in _pours(away["fill_before"])]
        parts.append(f"Before you leave\n{table(['pot', 'shelf', 'pour mL'], rows)}")
    if away["fails"]:
        rows = [
            [one["pot"], span(one["dry_after_days"], "p50", "p10", "p90"), one["stop_gap"]] for one in away["fails"]
        ]
        parts.append(f"These may not last, worst first\n{table(['pot', 'dry after days', 'what would help'], rows)}")
    if away["sitter"]["says"]:
        parts.append(f"For the sitter: {away['sitter']['says']}")
    for visit in away["sitter"]["visits"]:
        rows = [row[:3] for row in _pours(visit["pots"])]
        parts.append(f"Sitter, {visit['date']}: bring {number(visit['litres'], 1)} L\n"
                     f"{table(['pot', 'shelf', 'pour mL'], rows)}")  # fmt: skip
    return [*parts, "\n".join(away["sitter"]["cautions"])] if away["sitter"]["cautions"] else parts


def explain_text(answer: Answer) -> str:
    """`dryline explain`: the sentence, the split, what is left unexplained, the evidence, and the last looks."""
    rows = [
        [share["factor"].replace("_", " "), f"{share['mm']:+.0f}", f"{share['low_mm']:+.0f} to {share['high_mm']:+.0f}"]
        for share in answer["shares"]
    ]
    rows.append(["not explained", f"{answer['unexplained_mm']:+.0f}", ""])
    head = (
        f"{answer['pot']}, {answer['since']} to {answer['until']}, against {answer['compared_with_days']} days before"
    )
    shares = table(["cause", "mm", "could be"], rows)
    return "\n\n".join([head, answer["says"], shares, "\n".join(answer["evidence"]), *_looks(answer["looks"])])


def _looks(looks: Sequence[Mapping[str, Any]]) -> list[str]:
    """The last looks, the newest first, each with what led up to it."""
    rows = [[look["day"], look["noted"], look["says"]] for look in looks[:SHOWN_LOOKS]]
    if not rows:
        return []
    older = len(looks) - len(rows)
    more = [f"{older} older {'look stands' if older == 1 else 'looks stand'} in the answer of --json."] if older else []
    return ["\n".join([table(["looked", "noted", "what led up to it"], rows), *more])]


def guide_table(answer: Answer) -> str:
    """`dryline guide`: one advice and one reason a pot, by shelf; the look that settles most; what roots showed."""
    parts = []
    for shelf in answer["shelves"]:
        week, season = shelf["vpd_week_kpa"], shelf["season"]
        head = f"{shelf['shelf']}: {span(week, 'p50', 'p10', 'p90', 1)} kPa this week"
        lines = [head, *([season["says"]] if season else [])]
        rows = [[pot["pot"], _advice(pot), pot["rests_on"], pot["says"]] for pot in shelf["pots"]]
        parts.append("\n".join([*lines, table(["pot", "advice", "rests on", "says"], rows)]))
    if answer["look"]:
        parts.append(answer["look"]["says"])
    return "\n\n".join([*parts, *([_roots(answer["roots"])] if answer["roots"] else []), answer["says"]])


def _advice(pot: Mapping[str, Any]) -> str:
    """The change that is advised; what is only likely is never told as an advice."""
    change = pot["advice"]
    if not change or pot["sure"] or pot["no_better"]:
        return change or "-"
    return "look first" if change == "leave" else f"look first; perhaps {change}"


def _roots(roots: Answer) -> str:
    """What became of roots here: depths, rot, repots, and the counts without any model."""
    from dashboard.answers.roots import sentences  # heavy, and no other table needs it

    first, *others = sentences(roots)
    lines = [f"Roots: {first}", *others, *roots["disagreements"]]
    changes = [
        [
            one["change"],
            str(one["pots"]),
            number(one["before"]),
            number(one["after"]),
            number(one["difference"]) if one["low"] is None else span(one, "difference", "low", "high"),
        ]
        for one in roots["before_and_after"]
        if one["what"] == "noted_depth_mm"
    ]
    if changes:
        lines.append("\n" + table(["change", "pots", "mm before", "mm after", "difference"], changes))
    counts = [
        [
            one["air"],
            one["cover"],
            *(f"{one[name]:.0f}" for name in ("looks", "pots", "going_on", "stopped", "rotted")),
            number(one["noted_depth_mm"]),
        ]
        for one in roots["counts"]
    ]
    if counts:
        head = ["air kPa", "cover", "looks", "pots", "tips going on", "stopped", "rotted", "mm noted"]
        lines.append("\n" + table(head, counts))
    return "\n".join(lines)


FACTOR_WORDS = {"hole_area_mm2": "mm2 of holes", "wick_strands": "strands of wick"}


def trials_list(answer: Answer) -> str:
    """`dryline trials`: a paragraph a pair, then pairs with which a trial could begin."""
    parts = [answer["says"]] if answer["says"] else []
    parts += [
        f"{one['pot']} beside {one['other']} on {one['shelf']}, {_differs(one)}: {one['says']} {one['next_look_says']}"
        for one in answer["trials"][:SHOWN_PAIRS]
    ]
    more = len(answer["trials"]) - SHOWN_PAIRS
    parts += [f"And {more} more pair{'s' if more > 1 else ''}: `dryline trials --json` tells all."] if more > 0 else []
    parts += [f"All {len(one['pairs'])} pairs of {_differs(one)}: {one['says']}" for one in answer["questions"]]
    parts += [one["why"] for one in answer["proposed"]]
    parts += [answer["proposed_says"]] if answer["proposed_says"] else []
    return "\n\n".join(parts)


def _differs(one: Answer) -> str:
    """In what two pots differ: "cover none and pebbles 20 mm"."""
    values = [f"{value:g}" if isinstance(value, float) else str(value) for value in (one["value"], one["other_value"])]
    return f"{FACTOR_WORDS.get(one['factor'], one['factor'])} {' and '.join(values)}"
