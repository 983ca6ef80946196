"""Everything behind the findings: conditions, instruments, deviations, the decision rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from reports.catalogue import Strings
from reports.document import InstrumentRow
from reports.numbers import quantity
from reports.summary import title_of
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["conditions_of", "deviations_of", "instrument_rows", "rule_sentences"]

Pair = tuple[str, str]


def _date(text: object) -> str:
    return str(text or "")[:19].replace("T", " ")


def conditions_of(record: Record, strings: Strings) -> list[Pair]:
    """When, where, on what mains; what is not known is left out."""
    header, last = record.header, record.last_line
    bench = header.get("bench") or {}
    end = record.ending()
    safe = list(record.of_kind("safe"))
    how = str(end.get("how")) if end else "torn off"
    label = strings.get
    pairs = [
        (label("conditions.start"), f"{_date(header.get('t_utc'))} UTC"),
        (label("conditions.end"), f"{_date(last.get('t_utc'))} UTC"),
        (label("conditions.ended"), label(f"ended.{how}", how)),
        (label("conditions.bench"), str(bench.get("name", ""))),
        (label("conditions.simulated"), _seed(record, strings)),
        (label("conditions.mains"), str((bench.get("mains") or {}).get("nominal", ""))),
        (label("conditions.chain"), ", ".join((bench.get("mains") or {}).get("chain") or ())),
        (label("conditions.line_voltage"), _spread(record, "line-voltage", "V")),
        (label("conditions.temperature"), _temperature(record)),
        (label("conditions.case"), str((bench.get("unit") or {}).get("case", ""))),
        (label("conditions.strap"), str((bench.get("unit") or {}).get("earth_strap", ""))),
        (label("conditions.load_off"), _yes_no(safe[-1] if safe else None, strings)),
    ]
    return [(name, text) for name, text in pairs if text]


def _seed(record: Record, strings: Strings) -> str:
    if not record.simulated:
        return ""
    seed = (record.header.get("options") or {}).get("seed")
    if seed is None:
        seed = ((record.header.get("bench") or {}).get("simulation") or {}).get("seed")
    return strings.get("report.yes") + (
        "" if seed is None else ", " + strings.fill("conditions.seed", seed=seed)
    )


def _yes_no(line: Mapping[str, Any] | None, strings: Strings) -> str:
    if line is None or line.get("load_off_confirmed") is None:
        return ""
    return strings.get("report.yes" if line["load_off_confirmed"] else "report.no")


def _span(values: list[float], unit: str) -> str:
    if not values:
        return ""
    low, high = quantity(min(values), unit), quantity(max(values), unit)
    return low if low == high else f"{low} … {high}"


def _spread(record: Record, kind: str, unit: str) -> str:
    values = [line.get("value", line.get("volts")) for line in record.of_kind(kind)]
    return _span([float(v) for v in values if isinstance(v, int | float)], unit)


def _temperature(record: Record) -> str:
    values = [
        float(line["value"])
        for line in record.of_kind("reading")
        if line.get("unit") == "°C" and line.get("value") is not None
        and "ambient" in str(line.get("quantity"))
    ]  # fmt: skip
    return _span(values, "°C")


def _overdue(line: Mapping[str, Any], record: Record) -> bool:
    due = str(line.get("calibration_due") or "")
    return bool(due) and due[:10] < str(record.header.get("t_utc", ""))[:10]


def instrument_rows(record: Record, strings: Strings) -> list[InstrumentRow]:
    """One row an instrument, in the order in which they were opened."""
    rows = []
    for name, line in record.instruments().items():
        due = str(line.get("calibration_due") or "")
        if _overdue(line, record):
            due = strings.fill("instrument.overdue", date=due)
        known = (
            "instrument.accuracy_known" if line.get("accuracy") else "instrument.accuracy_unknown"
        )
        proven = "instrument.proven" if line.get("dialect_proven") else "instrument.not_proven"
        rows.append(
            InstrumentRow(
                name=name,
                role=str(line.get("role", "")),
                identity=" ".join(str(line.get(k) or "") for k in ("maker", "model", "firmware")),
                serial=str(line.get("serial") or strings.get("report.not_given")),
                calibration=due or strings.get("report.not_given"),
                dialect=str(line.get("dialect") or ""),
                proven=strings.get(proven),
                accuracy=strings.get(known),
            )
        )
    return rows


def deviations_of(record: Record, strings: Strings) -> list[str]:
    """Whatever departs from the full method or a reader must know, as sentences."""
    said = [strings.fill("deviations.problem", text=text) for text in record.problems]
    options = record.header.get("options") or {}
    if record.header.get("imported"):
        said.append(strings.get("deviations.imported"))
    said += [
        strings.get(f"deviations.{key}") for key in ("quick", "unattended") if options.get(key)
    ]
    if options.get("only"):
        names = ", ".join(title_of(str(name), strings) for name in options["only"])
        said.append(strings.fill("deviations.only", names=names))
    if options.get("faults"):
        faults = ", ".join(map(str, options["faults"]))
        said.append(strings.fill("deviations.faults", names=faults))
    said += _unproven(record, strings)
    for name, line in record.instruments().items():
        if not line.get("accuracy"):
            said.append(strings.fill("deviations.no_accuracy", name=name))
        if _overdue(line, record):
            date = line["calibration_due"]
            said.append(strings.fill("deviations.overdue", name=name, date=date))
    said += [_answer(line, strings) for line in record.of_kind("answer")]
    said += _invalid_readings(record, strings)
    for line in record.of_kind("note"):
        title = title_of(str(line.get("check", "")), strings)
        said.append(strings.fill("deviations.note", check=title, text=line.get("text", "")))
    return list(dict.fromkeys(said))


def _unproven(record: Record, strings: Strings) -> list[str]:
    names: dict[str, list[str]] = {}
    for name, line in record.instruments().items():
        if not line.get("dialect_proven"):
            names.setdefault(str(line.get("dialect")), []).append(name)
    return [
        strings.fill("deviations.unproven", dialect=dialect, names=", ".join(named))
        for dialect, named in names.items()
    ]


def _answer(line: Mapping[str, Any], strings: Strings) -> str:
    words = str(line.get("words") or "")
    done = strings.get("report.yes" if line.get("done") else "report.no")
    answer = f"{done} ({words})" if words and words.lower() != done else done
    return strings.fill("deviations.answer", text=line.get("asked", ""), answer=answer)


def _invalid_readings(record: Record, strings: Strings) -> list[str]:
    totals: Counter[str] = Counter()
    reasons: dict[str, Counter[str]] = {}
    for line in record.of_kind("reading"):
        check = str(line.get("check", ""))
        totals[check] += 1
        if line.get("value") is None:
            reasons.setdefault(check, Counter())[str(line.get("reason"))] += 1
    return [
        strings.fill(
            "deviations.invalid", check=title_of(check, strings), n=sum(found.values()),
            total=totals[check], reasons="; ".join(text for text, _ in found.most_common(3)),
        )
        for check, found in reasons.items()
    ]  # fmt: skip


def rule_sentences(profile: Profile, strings: Strings) -> list[str]:
    """Say which rule decided, and what its words mean."""
    return [
        strings.get(f"rule.{profile.decision.rule}"),
        strings.fill("rule.coverage", percent=f"{100 * profile.decision.coverage:.3g}"),
        strings.get("rule.words"),
        strings.get("rule.unknown"),
    ]
