"""Work on a thread that is never left half done."""

import asyncio
from collections.abc import Callable
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
Result = TypeVar("Result")


async def to_the_end(function: Callable[P, Result], *args: P.args, **kwargs: P.kwargs) -> Result:
    """Call a blocking function on a thread; a cancellation takes effect once it has returned."""
    work = asyncio.ensure_future(asyncio.to_thread(function, *args, **kwargs))
    try:
        return await asyncio.shield(work)
    except asyncio.CancelledError:
        await asyncio.wait([work])
        raise
