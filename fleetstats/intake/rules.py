"""The rules of a table of records as SQL: text typed, and queries for the rows that break a rule."""

from collections.abc import Container, Iterable

from fleetstats.intake.fields import NOT_AFTER, NOT_BEFORE, REFERENCES, Column, Table

KEPT = "the value was left blank and the row kept; correct the file and load it again"
ASIDE = "the row was set aside; correct the file and load it again"
_ISO_DAY = "____-__-__"


def quoted(name: str) -> str:
    """Return a name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return a text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def typed_query(table: Table, present: Iterable[str]) -> str:
    """Return the query that types `incoming` in one pass, and says of each row whether it is `doubtful`.

    A value that is not accepted is null; `doubtful` marks the rows with such a value or a required blank.
    `mark` is the same for rows of one key (and, rarely, for others). `raw_name` keeps beside it what was
    written as a `date_or_year`.
    """
    given = set(present)
    cells, checked, last = [], [], []
    for column in table.columns:
        name, raw = quoted(column.name), quoted("raw_" + column.name)
        if column.name not in given:
            last.append(f"NULL::{column.sql_type} AS {name}")
            continue
        cells += [f"{name} AS {raw}", f"{_typed(column, name)} AS {name}"]
        checked += [raw, f"{_within(column)} AS {name}"]
        last += [name, raw] if column.kind == "date_or_year" else [name]
    last.append(f"{_doubt(table, given)} AS doubtful")
    # a number made of the key finds rows of one key more quickly than the key itself
    last.append(f"hash({', '.join(quoted(k) if k in given else 'NULL' for k in table.key)}) AS mark")
    inner = f"SELECT file_no, line, {', '.join(cells)} FROM incoming"
    inner = f"SELECT file_no, line, {', '.join(checked)} FROM ({inner})"
    return f"SELECT file_no, line, {', '.join(last)} FROM ({inner})"


def _doubt(table: Table, given: Container[str]) -> str:
    """Return the condition under which `cell_faults` will find a fault in a row."""
    doubts = []
    for column in (c for c in table.columns if c.name in given):
        name, raw = quoted(column.name), quoted("raw_" + column.name)
        if column.required:
            doubts.append(f"{name} IS NULL")
        elif column.kind != "text":
            doubts.append(f"({raw} IS NOT NULL AND {name} IS NULL)")
    if table.one_of:
        known = [quoted(name) for name in table.one_of if name in given]
        doubts.append(f"coalesce({', '.join([*known, 'NULL'])}) IS NULL")
    return " OR ".join(doubts) or "false"


def _typed(column: Column, raw: str) -> str:
    if column.kind == "text":
        return raw
    if column.kind == "number":
        return _number(raw)
    if column.kind == "yes_no":
        return (
            f"CASE WHEN lower({raw}) IN ('yes', 'y', 'true', '1') THEN true "
            f"WHEN lower({raw}) IN ('no', 'n', 'false', '0') THEN false END"
        )
    if column.kind in ("date", "date_or_year"):
        return _date(column, raw)
    return _word(column, raw)


def _word(column: Column, raw: str) -> str:
    # almost every cell already is the word: the regular expression runs on the others only
    plain = f"regexp_replace(lower({raw}), '[\\s_-]+', '_', 'g')"
    if not column.words:
        return (
            f"CASE WHEN {raw} = lower({raw}) AND NOT contains({raw}, ' ') AND NOT contains({raw}, '-') "
            f"THEN {raw} ELSE {plain} END"
        )
    words = ", ".join(literal(word) for word in column.words)
    return f"CASE WHEN {raw} IN ({words}) THEN {raw} WHEN {plain} IN ({words}) THEN {plain} END"


def _number(raw: str) -> str:
    # "1,200" in a comma-separated file may be 1.2 or 1200: only a fraction of other than 3 digits is sure
    comma = (
        f"CASE WHEN regexp_full_match({raw}, '[+-]?[0-9]+,[0-9]+') AND (decimal_comma OR "
        f"NOT regexp_full_match({raw}, '.*,[0-9][0-9][0-9]')) "
        f"THEN try_cast(replace({raw}, ',', '.') AS DOUBLE) END"
    )
    return f"CASE WHEN contains({raw}, ',') THEN {comma} ELSE try_cast({raw} AS DOUBLE) END"


def _date(column: Column, raw: str) -> str:
    day = (
        f"CASE WHEN {raw} LIKE '{_ISO_DAY}' THEN try_cast({raw} AS DATE) WHEN regexp_full_match({raw}, "
        f"'[0-9-]{{10}}[T ]00:00(:00([.]0+)?)?') THEN try_cast(left({raw}, 10) AS DATE) END"
    )
    if column.kind == "date":
        return day
    # the middle of a year still running may lie ahead: then today
    middle = f"least(make_date(try_cast({raw} AS INT), 7, 1), $today)"
    this_year = f"try_cast({raw} AS INT) <= year($today)"
    return f"CASE WHEN {raw} LIKE '____' THEN CASE WHEN {this_year} THEN {middle} END ELSE {day} END"


def _within(column: Column) -> str:
    """Return the column, null where it is out of range."""
    name = quoted(column.name)
    limits = []
    if column.kind == "number":
        limits.append(f"isfinite({name})")
        limits += [f"{name} {'>' if column.above else '>='} {column.low}"] if column.low is not None else []
        limits += [f"{name} <= {column.high}"] if column.high is not None else []
    if column.kind in ("date", "date_or_year"):
        latest = "$today" if column.latest_is_today else "DATE '2199-12-31'"
        limits.append(f"{name} BETWEEN DATE '1900-01-01' AND {latest}")
    return f"CASE WHEN {' AND '.join(limits)} THEN {name} END" if limits else name


def cell_faults(table: Table, present: Iterable[str]) -> list[str]:
    """Return the queries of the cells that are not accepted, in `typed` beside `raw`, the rows as written.

    Each gives file_no, line, column, value, reason, and whether it costs the whole row.
    """
    given = set(present)
    found = []
    rows = "temp.typed AS t JOIN temp.raw AS r USING (file_no, line)"
    for column in (c for c in table.columns if c.name in given):
        name = quoted(column.name)
        if column.kind != "text":
            outcome = ASIDE if column.required else KEPT
            reason = literal(f" is not accepted here: accepted is {column.accepted}; {outcome}")
            found.append(
                f"SELECT file_no, line, {literal(column.name)}, r.{name}, '''' || r.{name} || '''' || "
                f"{reason}, {column.required} FROM {rows} WHERE r.{name} IS NOT NULL AND t.{name} IS NULL"
            )
        if column.required:
            reason = literal(f"{column.name} is blank: accepted is {column.accepted}; {ASIDE}")
            found.append(
                f"SELECT file_no, line, {literal(column.name)}, NULL, {reason}, true FROM {rows} "
                f"WHERE r.{name} IS NULL"
            )
    if table.one_of:
        names = ", ".join("t." + quoted(name) for name in table.one_of)
        reason = literal(f"{' and '.join(table.one_of)} are both blank: one of them is needed; {ASIDE}")
        found.append(
            f"SELECT file_no, line, {literal(table.one_of[0])}, NULL, {reason}, true FROM {rows} "
            f"WHERE coalesce({names}) IS NULL"
        )
    return found


def reference_faults(table: Table) -> list[str]:
    """Return the queries of the rows that name a site or a visit nobody knows."""
    found = []
    for (name, column), other in REFERENCES.items():
        if name != table.name:
            continue
        reason = literal(
            f" is no {column} of the accepted {other}: load its row of {other} first, or with this file, and "
            f"see whether that row was refused; {ASIDE}"
        )
        found.append(
            f"SELECT file_no, line, {literal(column)}, {column}, '''' || {column} || '''' || {reason}, true "
            f"FROM temp.typed ANTI JOIN records.{other} USING ({column}) WHERE {column} IS NOT NULL"
        )
    return found


def order_faults(table: Table) -> list[tuple[str, str]]:
    """Return (column, query of the rows whose optional date contradicts another date of the record)."""
    found = []
    for rules, sign, word in ((NOT_AFTER, ">", "after"), (NOT_BEFORE, "<", "before")):
        for name, column, other in rules:
            if name == table.name:
                found.append((column, _order_fault(table, column, other, sign, word)))
    return found


def _order_fault(table: Table, column: str, other: str, sign: str, word: str) -> str:
    from_visit = other not in table.names  # a row of work takes its date from its visit
    limit = f"v.{quoted(other)}" if from_visit else f"t.{quoted(other)}"
    join = " JOIN records.visits AS v USING (visit_id)" if from_visit else ""
    value = f"t.{quoted(column)}"
    return (
        f"SELECT t.file_no, t.line, {literal(column)}, {value}::VARCHAR, {value} || ' is {word} the {other}, "
        f"' || {limit} || ': accepted is a date not {word} it; {KEPT}', false FROM (FROM temp.typed WHERE "
        f"{quoted(column)} IS NOT NULL) AS t{join} WHERE {value} {sign} {limit}"
    )
