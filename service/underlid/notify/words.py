"""What a message says: title and body, with its key as the last line. Pure."""

from collections.abc import Sequence

from underlid.model import Notice, Priority, Verdict
from underlid.notify.gather import Kind, Story, Told

LISTED = 30  # alarms described in one message; the others are counted
NAMED = 3
# How the alarms of a rule are called together: those that are, and those that are foreseen.
RULE_WORDS = {
    "top-drying": ("Top too dry", "Top soon too dry"),
    "too-wet": ("Bins too wet", "Bins soon too wet"),
    "feed-heating": ("Feed too hot", "Feed heating up"),
    "too-warm": ("Bins too warm", "Bins soon too warm"),
    "too-cold": ("Bins too cold", "Bins soon too cold"),
    "bin-freezing": ("Bins freezing", "Bins about to freeze"),
    "feed-freezing": ("Tubs freezing", "Tubs about to freeze"),
    "feed-hard-frozen": ("Tubs hard frozen", "Tubs soon hard frozen"),
    "feed-thawed": ("Tubs thawed", "Tubs soon thawed"),
    "probe-silent": ("Probes silent", "Probes silent"),
    "probe-battery": ("Batteries low", "Batteries soon low"),
    "probe-suspect": ("Probes suspect", "Probes suspect"),
    "nothing-heard": ("Nothing heard", "Nothing heard"),
}


def say(told: Told) -> tuple[str, str]:
    """Title and body of a message."""
    stories = sorted(told.stories, key=_order)
    title = _summary_title(told, stories) if told.lead else _title(stories)
    body = [*_body(told, stories), f"[{told.key}]"]
    return title[:300], "\n\n".join(part for part in body if part)


def together(notices: Sequence[Notice]) -> str:
    """What alarms of one rule have in common."""
    rule = notices[0].rule
    now, soon = RULE_WORDS.get(rule, (rule.replace("-", " ").capitalize(),) * 2)
    return soon if all(notice.forecast for notice in notices) else now


def names(stories: Sequence[Story]) -> str:
    """'Rowan, Walnut and 3 more'."""
    said = [story.last.name for story in stories]
    if len(said) <= NAMED:
        return " and ".join(part for part in (", ".join(said[:-1]), said[-1]) if part)
    return f"{', '.join(said[: NAMED - 1])} and {len(said) - NAMED + 1} more"


def _title(stories: Sequence[Story]) -> str:
    first = stories[0]
    if len(stories) > 1:
        common = f"{together([_beginning(story) for story in stories])}: {names(stories)}"
        return f"Over: {common[0].lower()}{common[1:]}" if first.kind is Kind.OVER else common
    if first.kind is Kind.OVER:
        return f"{first.last.name}: over"
    return f"Worse: {first.last.headline}" if first.last.cause == "worsening" else first.last.headline


def _summary_title(told: Told, stories: Sequence[Story]) -> str:
    assert told.lead is not None
    standing = [story for story in stories if story.kind is Kind.STANDS]
    return f"{told.lead.value}: {names(standing) if standing else 'nothing stands any more'}"


def _body(told: Told, stories: Sequence[Story]) -> list[str]:
    if not told.lead and stories[0].kind is Kind.OVER:
        if len(stories) == 1:
            last = stories[0].last
            return [last.headline or f"{last.name}: {last.rule} is over."]
        return ["\n".join(story.last.headline or f"{story.last.name}: over" for story in stories[:LISTED])]
    parts: list[str] = []
    cautions: dict[str, None] = {}
    standing = [story for story in stories if story.kind is Kind.STANDS]
    for story in standing[:LISTED]:
        headline, advice, caution = _present(story) if told.lead else _noticed(story)
        if told.lead or len(standing) > 1:
            parts.append(headline + (" (acknowledged)" if story.acknowledged else ""))
            parts[-1] += f"\n{advice}" if advice else ""
        else:
            parts.append(advice)
        cautions[caution] = None
    if len(standing) > LISTED:
        parts.append(f"And {len(standing) - LISTED} more; the screens show them.")
    for kind, lead in ((Kind.OVER, "Over"), (Kind.PASSED, "Came and went")):
        some = [f"{s.last.name} ({s.last.rule})" for s in stories if s.kind is kind]
        more = f" and {len(some) - LISTED} more" if len(some) > LISTED else ""
        parts.append(f"{lead}: {', '.join(some[:LISTED])}{more}." if some else "")
    return [*parts, *cautions]


def _noticed(story: Story) -> tuple[str, str, str]:
    return story.last.headline, story.last.advice, story.last.caution


def _present(story: Story) -> tuple[str, str, str]:
    """What the rule says now, where it still says that it holds."""
    finding = story.alarm.finding
    if finding is None or finding.verdict is not Verdict.HOLDS:
        return _noticed(story)
    return finding.headline, finding.advice, finding.caution


def _beginning(story: Story) -> Notice:
    return next((notice for notice in story.notices if notice.cause != "returned"), story.last)


def _order(story: Story) -> tuple[int, int, int]:
    return list(Kind).index(story.kind), list(Priority).index(story.priority), story.notices[0].at_ms
