"""Topic names and topic filters (MQTT 5.0, 4.7; the same in 3.1.1)."""


def topic_valid(topic: str) -> bool:
    """Tell whether a message may be published to `topic` (MQTT 5.0, 4.7)."""
    return bool(topic) and "+" not in topic and "#" not in topic


def filter_valid(topic_filter: str) -> bool:
    """Tell whether `topic_filter` is one: wildcards fill their level, `#` is the last (MQTT 5.0, 4.7.1)."""
    levels = topic_filter.split("/")
    return bool(topic_filter) and all(
        level == "+" or (level == "#" and index == len(levels) - 1) or not ("+" in level or "#" in level)
        for index, level in enumerate(levels)
    )


def matches(topic: str, topic_filter: str) -> bool:
    """Tell whether a subscription to `topic_filter` takes a message on `topic` (MQTT 5.0, 4.7)."""
    if topic_filter == topic:
        return True
    if topic.startswith("$") and topic_filter[:1] in ("+", "#"):
        return False
    wanted, given = topic_filter.split("/"), topic.split("/")
    for index, level in enumerate(wanted):
        if level == "#":
            return True
        if index == len(given) or level not in ("+", given[index]):
            return False
    return len(wanted) == len(given)


def covers(allowed: str, topic_filter: str) -> bool:
    """Tell whether every topic that `topic_filter` takes is also taken by `allowed`."""
    outer, inner = allowed.split("/"), topic_filter.split("/")
    for index, level in enumerate(outer):
        if level == "#":
            return True
        if index == len(inner) or inner[index] == "#" or level not in ("+", inner[index]):
            return False
    return len(outer) == len(inner)
