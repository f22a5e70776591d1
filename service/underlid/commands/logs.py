"""The log on standard error."""

import logging
import sys

import structlog


def set_up_log(level: str) -> None:
    """Log lines to standard error, ours and the libraries' alike."""
    number = logging.getLevelNamesMapping()[level.upper()]
    stamp = structlog.processors.TimeStamper(fmt="%Y-%m-%dT%H:%M:%S", utc=False)
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        stamp,
    ]
    structlog.configure(
        processors=[
            *shared,
            structlog.processors.StackInfoRenderer(),
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(number),
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    plain = structlog.dev.plain_traceback
    renderer = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), exception_formatter=plain)
    handler = logging.StreamHandler()
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, renderer],
            foreign_pre_chain=shared,
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(max(number, logging.INFO))
    for noisy in ("uvicorn", "uvicorn.error", "amqtt", "apprise", "alembic", "transitions"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
