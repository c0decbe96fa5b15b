"""A plan in plain sentences: what it does, how near the best it is, and where it differs from the list."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

import pandas as pd

from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.units import format_amount, format_money
from barrierrank.problems import one_line
from barrierrank.ranking import words
from barrierrank.ranking.cautions import short_cautions, shortened

WIDTH = 110
MOST_NAMED = 3
MOST_PRESUMED = 2
FIRST = 5
"""Actions that the command line tells."""
LONGEST = 60
"""Letters of a user's text that are kept."""
NONE = 1e-9
"""Part of the larger of two amounts below which they are told as equal."""


def plan_sentences(look: PlanLook) -> list[str]:
    """Return what a plan does, gains and presumes, one thing a line.

    Cautions are not among them: :func:`spoken_plan` and the workbook add these.

    Parameters
    ----------
    look : PlanLook

    Returns
    -------
    list of str
        On one line each, without control characters.
    """
    lines = [
        _outline(look),
        *_years(look),
        *_access(look),
        how_near(look),
        _against_list(look),
        _against_greedy(look),
        price_words(look),
        *_steadiness(look),
        _counts_on(look),
        *_joined("Asked of the plan besides its budget:", look.demands),
        *_joined("The arithmetic of the plan takes for granted:", look.presumes),
    ]
    return [one_line(line) for line in lines if line]


def spoken_plan(look: PlanLook) -> str:
    """Return what the command line says at the end of a plan, cautions last.

    Parameters
    ----------
    look : PlanLook
    """
    told = [*plan_sentences(look), *_first_rows(look), ""]
    first, rest = look.base.cautions[:1], shortened(look.base.cautions)[1:]
    told += [f"Caution: {one_line(c)}" for c in (*first, " ".join(rest)) if c]
    return "\n".join(_filled(line) for line in told)


def plan_cautions(look: PlanLook) -> tuple[str, ...]:
    """Return the short cautions for a picture of the plan.

    Parameters
    ----------
    look : PlanLook
    """
    return shortened(look.base.cautions) or short_cautions([str(a) for a in look.plan["action"]])


def cost_words(amount: float, look: PlanLook) -> str:
    """Write a cost: with its currency where values are money, the bare number otherwise.

    Parameters
    ----------
    amount : float
    look : PlanLook
    """
    return words.money([amount], currency=look.base.currency)[0]


def worth_words(amount: float, look: PlanLook) -> str:
    """Write a worth, in money or in points.

    Parameters
    ----------
    amount : float
    look : PlanLook
    """
    return format_money(amount, look.base.currency)


def percent_words(gap: float) -> str:
    """Write a share that bounds something from above, never rounded down: ``"0.31 %"``.

    Parameters
    ----------
    gap : float
        Above 0, finite.
    """
    percent = 100.0 * gap
    step = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return f"{math.ceil(percent / step - 1e-6) * step:.2g} %"


def how_near(look: PlanLook) -> str:
    """Say how much better than the plan any other could be.

    No percentage is told where the plan gains next to nothing: it would mean nothing.

    Parameters
    ----------
    look : PlanLook
    """
    plain = look.worth > 0.0 and math.isfinite(look.gap) and look.gap <= 1.0
    plain = plain and (look.base.currency is None or look.worth > 1e-3 * look.spent)
    worth, bound = _pair(look.worth, look.bound, look)
    both = f"the plan gains {worth}, and no plan for this money can gain more than {bound}"
    share = percent_words(look.gap) if 0.0 < look.gap < math.inf else ""
    if look.status == "proven":
        if not look.bound > look.worth + NONE * max(abs(look.worth), abs(look.bound)):
            return "Proven: no plan for this money can be better."
        least = f"no plan for this money can be more than {share} better"
        return f"Proven: {least if plain and share else both}."
    if look.status == "years":
        return (
            f"Spread over {len(look.budgets)} years the plan gains {worth}. With all the money in the first year no "
            f"plan can gain more than {bound}; putting costs off can bring a plan above that."
        )
    seconds = words.numbers([look.seconds])[0]
    before = f"after {seconds} s, before the gap asked for{_asked(look)} was proven"
    ended = {
        "time": f"Time was up {before}",
        "interrupted": f"The search was stopped {before}",
        "open": "The search is done; what is left open lies between its own arithmetic (see what the plan presumes) "
        "and the worth worked out year by year",
    }[look.status]
    return f"{ended}: {both}{f' ({share} more)' if plain and share else ''}."


def price_words(look: PlanLook) -> str:
    """Say what the next unit of money would bring; empty where that is not known.

    Parameters
    ----------
    look : PlanLook
    """
    if not math.isfinite(look.price):
        return ""
    if look.price <= 0.0:
        return "More budget would bring nothing more."
    size, brings = price_steps(look.price, look)
    currency = look.base.currency
    over = ", over and above its own cost" if currency else ""
    return f"Price of the next unit of money: {cost_words(size, look)} more would bring about {brings}{over}."


def price_steps(price: float, look: PlanLook) -> tuple[float, str]:
    """Return a round sum of money, and in words the worth that it brings at this price.

    Parameters
    ----------
    price : float
        Above 0.
    look : PlanLook
    """
    size = 10.0 ** min(max(math.ceil(-math.log10(price)), 0), 12)
    money = look.base.currency
    if money and price * size < 100.0:  # parts of a unit of money count here
        return size, f"{money} {words.numbers([price * size])[0]}"
    return size, worth_words(price * size, look)


def place_words(row: pd.Series, *, named: bool = True) -> str:
    """Name an action: site, name of the site, what is done.

    Parameters
    ----------
    row : Series
        With `site`, `name`, `action`.
    named : bool
        Whether to add the name of the site.
    """
    site, name = _short(row["site"]), _short(row["name"])
    label = f" ({name})" if named and name and name != site else ""
    return f"{site}{label}: {_short(row['action'])}"


def count_words(count: int, what: str) -> str:
    """Write a count with its noun: ``"1 action"``, ``"12 actions"``.

    Parameters
    ----------
    count : int
    what : str
        Singular.
    """
    return f"{count:,} {what}{'s' if count != 1 else ''}"


def _outline(look: PlanLook) -> str:
    basin, actions = _short(look.base.basin), len(look.plan)
    budget = cost_words(look.budget, look)
    if not actions:
        return f"Plan for {basin}: within a budget of {budget} nothing is worth doing; all is left as it is."
    sites = look.plan["site"].nunique()
    off = ", costs taken off" if look.base.currency else ""
    way = "more" if look.worth >= 0.0 else "less"
    return (
        f"Plan for {basin}: {count_words(actions, 'action')} at {count_words(sites, 'site')} for "
        f"{cost_words(look.spent, look)} of a budget of {budget}, worth {worth_words(abs(look.worth), look)} {way} "
        f"than leaving all as it is (present worth over {count_words(look.base.horizon_years, 'year')}{off})."
    )


def _years(look: PlanLook) -> list[str]:
    """Say what each funding year has and does."""
    if len(look.budgets) < 2:
        return []
    told = []
    for year, budget in enumerate(look.budgets, start=1):
        mine = look.plan[look.plan["year"] == year]
        spent = cost_words(float(mine["cost"].sum()), look)
        told.append(f"year {year}: {count_words(len(mine), 'action')} for {spent} of {cost_words(budget, look)}")
    return [f"By funding year: {'; '.join(told)}."]


def _access(look: PlanLook) -> list[str]:
    out: list[str] = []
    known = {str(row["species"]): row for _, row in look.access.iterrows()}
    for species in look.base.species:
        row = known.get(species.key)
        if row is None or not len(look.plan):
            continue
        before, after, habitat, best = (float(row[c]) for c in ("before", "after", "habitat", "best"))
        amounts = [format_amount(a, species.habitat_unit, look.base.units) for a in (after, before, habitat, best)]
        over = "" if out else f" (means over {look.base.horizon_years} years, failing counted)"
        if abs(after - before) <= NONE * max(habitat, 1e-300):
            text = f"{_short(species.label)} can reach {amounts[1]} of {amounts[2]}, as before"
        else:
            reach = f"{amounts[0]} with the plan, {amounts[1]} without it, of {amounts[2]}{over}"
            text = f"{_short(species.label)} can reach {reach}"
        if math.isfinite(best):
            bound = "less than" if species.role == "invasive" else "more than"
            text += f"; no plan for this money can make that {bound} {amounts[3]}"
        out.append(f"{text}.")
    return out


def _asked(look: PlanLook) -> str:
    return f" ({percent_words(look.gap_asked)})" if 0.0 < look.gap_asked < math.inf else ""


def _pair(a: float, b: float, look: PlanLook) -> tuple[str, str]:
    """Write two worths in three digits, or in so many that they differ."""
    short = worth_words(a, look), worth_words(b, look)
    if short[0] != short[1] or a == b:
        return short
    for places in range(7):
        numbers = f"{a:,.{places}f}", f"{b:,.{places}f}"
        if numbers[0] != numbers[1]:
            break
    if look.base.currency:
        return f"{look.base.currency} {numbers[0]}", f"{look.base.currency} {numbers[1]}"
    return f"{numbers[0]} points", f"{numbers[1]} points"


def _same(a: float, b: float) -> bool:
    return abs(a - b) <= NONE * max(abs(a), abs(b))


def _against_list(look: PlanLook) -> str:
    """Say what taking the list from the top would do otherwise, and what that is worth."""
    if not len(look.plan) and not len(look.left_out):
        return ""
    missed = look.plan[~look.plan["by_list"].astype(bool)]
    if look.left_out.empty and missed.empty:
        return "Taking the list from the top does just the same."
    left = look.left_out.sort_values("rank", kind="stable")
    missed = missed.sort_values("worth_in_plan", ascending=False, kind="stable")
    parts = [f"takes {_some(left, ranks=True)}"] if len(left) else []
    parts += [f"leaves out {_some(missed, ranks=True)}"] if len(missed) else []
    head = _compared("Taking the list from the top", look.list_worth, look.list_spent, look)
    whys = [_why(left, "Why the plan does without"), _why(missed, "Why the plan has")]
    return " ".join([f"{head}: it {', and '.join(parts)}.", *filter(None, whys)])


def _why(rows: pd.DataFrame, head: str) -> str:
    """Give the reason of the first action of a table; empty where there is none."""
    if rows.empty or pd.isna(rows["why"].iloc[0]):
        return ""
    why = one_line(str(rows["why"].iloc[0])).strip()
    return f"{head} {_short(rows['site'].iloc[0])}: {why}" if why else ""


def _some(rows: pd.DataFrame, *, ranks: bool = False) -> str:
    """Name the first few actions of a table."""
    told = []
    for _, row in rows.head(MOST_NAMED).iterrows():
        rank = f"rank {int(row['rank'])}" if ranks and pd.notna(row["rank"]) else ""
        instead = f"the plan there: {_short(row['instead'])}" if row.get("instead") else ""
        beside = "; ".join(filter(None, (rank, instead)))
        told.append(f"{place_words(row)} ({beside})" if beside else place_words(row))
    left = len(rows) - len(told)
    return words.listed([*told, f"{left:,} more"] if left else told)


def _compared(what: str, worth: float, spent: float, look: PlanLook) -> str:
    """Say how much less another way of choosing gains."""
    less = look.worth - worth
    for_money = f"for {cost_words(spent, look)}"
    if _same(look.worth, worth):
        return f"{what} would gain as much, {for_money}"
    theirs, ours = _pair(worth, look.worth, look)
    way = "less" if less > 0 else "more"
    limits = "" if less > 0 else "; it need not meet what is asked of the plan" if look.demands else ""
    return f"{what} would gain {worth_words(abs(less), look)} {way} ({theirs} {for_money}, the plan {ours}{limits})"


def _against_greedy(look: PlanLook) -> str:
    if not len(look.plan):
        return ""
    what = "Adding, again and again, the action that brings most per cost beside those taken"
    return f"{_compared(what, look.greedy_worth, look.greedy_spent, look)}."


def _steadiness(look: PlanLook) -> list[str]:
    """Say which actions hold in the draws."""
    table = look.steadiness
    if table is None or not look.draws:
        return []
    mine, others = table[table["in_plan"].astype(bool)], table[~table["in_plan"].astype(bool)]
    draws = count_words(look.draws, "draw")
    counts = [(word, int((mine["steadiness"] == word).sum())) for word in ("core", "sometimes", "never")]
    meant = {"core": "in nearly all (core)", "sometimes": "in some (sometimes)", "never": "in next to none (never)"}
    told = [f"{count:,} {meant[word]}" for word, count in counts if count]
    lines = []
    if told:
        lines.append(f"Of the plan's actions, by the best plans of {draws} of the inputs: {words.listed(told)}.")
    core = mine[mine["steadiness"] == "core"].sort_values("share", ascending=False, kind="stable")
    if len(core):
        lines.append(f"Core: {_some(core)}.")
    if len(others):
        others = others.sort_values("share", ascending=False, kind="stable")
        lines.append(f"Not in the plan, but in the best plan of some draws: {_some(others)}.")
    return lines


def _counts_on(look: PlanLook) -> str:
    """Say which actions need others of the plan."""
    needy = look.plan[look.plan["presumes"].fillna("").astype(str) != ""]
    if needy.empty:
        return ""
    told = [
        f"{_short(row['site'])} on {_short(row['presumes'])}" for _, row in needy.head(MOST_PRESUMED).iterrows()
    ]
    verb = "counts" if len(needy) == 1 else "count"
    some = words.listed(told) if len(needy) <= MOST_PRESUMED else f"{', '.join(told)} and so on"
    return f"{count_words(len(needy), 'action')} {verb} on others of the plan below: {some}."


def _joined(head: str, told: Sequence[str]) -> list[str]:
    """Put sentences behind a head."""
    return [f"{head} {' '.join(one_line(text).strip() for text in told)}"] if told else []


def _first_rows(look: PlanLook) -> list[str]:
    """Tell the first actions, in the order in which to do them."""
    lines = ["First to do:"] if len(look.plan) else []
    for _, row in look.plan.head(FIRST).iterrows():
        why = one_line(str(row["why"])).strip() if pd.notna(row["why"]) else ""
        cost = cost_words(float(row["cost"]), look)
        lines.append(f"{int(row['order']):>3}  {place_words(row)}, {cost}. {why}".rstrip())
    return lines


def _short(text: object) -> str:
    line = one_line("" if text is None or pd.isna(text) else str(text)).strip()  # type: ignore[call-overload]
    return line if len(line) <= LONGEST else line[: LONGEST - 1].rstrip() + "…"


def _filled(line: str) -> str:
    """Wrap a line, no number parted from its per cent sign."""
    indent = "     " if line[:3].strip().isdigit() and line[3:5] == "  " else "  "
    kept = line.replace(" %", "\u00a0%")
    wrapped = textwrap.fill(kept, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return wrapped.replace("\u00a0%", " %")
