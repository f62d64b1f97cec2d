"""Errors as one line on the standard error stream, and an orderly stop."""

from __future__ import annotations

import functools
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import ParamSpec

import click

from deblend.errors import DeblendError

P = ParamSpec("P")

EXIT_ERROR = 2
EXIT_STOPPED = 130


def plain_errors(command: Callable[P, None]) -> Callable[P, None]:
    """A command that ends an error with one line and exit status 2, without a traceback.

    The option ``--traceback`` of the group lets errors through as they are.
    """

    @functools.wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> None:
        context = click.get_current_context()
        if context.find_root().params.get("traceback"):
            command(*args, **kwargs)
            return
        try:
            with _stop_once():
                command(*args, **kwargs)
        except DeblendError as error:
            _end(context, f"error: {error}", EXIT_ERROR)
        except KeyboardInterrupt as stop:
            _end(context, f"stopped: {str(stop) or 'no result was written'}", EXIT_STOPPED)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            kind = type(error).__name__
            _end(
                context,
                f"error: {kind}: {error}. This was not foreseen; run `deblend --traceback "
                f"{context.info_name} ...` to see where it arose.",
                EXIT_ERROR,
            )

    return wrapped


def _end(context: click.Context, message: str, status: int) -> None:
    click.echo(" ".join(message.split()), err=True)
    context.exit(status)


@contextmanager
def _stop_once() -> Iterator[None]:
    """Let the keyboard and a request to terminate stop a command alike, and only once.

    What is cleaned up then takes some seconds; a second request would break it off.
    """
    signals = (signal.SIGINT, signal.SIGTERM)

    def stop(number: int, frame: FrameType | None) -> None:
        for one in signals:
            signal.signal(one, signal.SIG_IGN)
        raise KeyboardInterrupt

    try:
        earlier = [signal.signal(one, stop) for one in signals]
    except ValueError:  # not the main thread, which alone may set handlers
        yield
        return
    try:
        yield
    finally:
        for one, handler in zip(signals, earlier, strict=True):
            signal.signal(one, handler)
