"""Errors as one line on the standard error stream, and an orderly stop."""

from __future__ import annotations

import errno
import functools
import signal
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any, ParamSpec

import click

from deblend.compiled import NotKept
from deblend.errors import DeblendError, SettingsError
from deblend.files import refuse_odd_name
from deblend.plugins import NameTaken

P = ParamSpec("P")

EXIT_ERROR = 2
EXIT_STOPPED = 130


class PlainGroup(click.Group):
    """Commands whose errors of usage are one line, like all others: what, where, what to do."""

    def make_context(self, *args: Any, **settings: Any) -> click.Context:
        """As in click; options of the group itself are read here."""
        with _usage_in_one_line():
            return super().make_context(*args, **settings)

    def invoke(self, ctx: click.Context) -> Any:
        """As in click; options of the commands are read here."""
        with _usage_in_one_line(ctx):
            return super().invoke(ctx)


class _OneLine(click.ClickException):
    exit_code = EXIT_ERROR

    def show(self, file: Any = None) -> None:
        click.echo(f"error: {' '.join(self.message.split())}", file=file, err=file is None)


@contextmanager
def _usage_in_one_line(group: click.Context | None = None) -> Iterator[None]:
    try:
        yield
    except click.exceptions.NoArgsIsHelpError:
        raise
    except click.UsageError as error:
        command = group.invoked_subcommand if group else ""
        place = error.ctx.command_path if error.ctx else f"deblend {command}".rstrip()
        what, _, hint = error.format_message().rstrip(".").partition(". ")
        known = SettingsError(
            what[:1].lower() + what[1:],
            where=place,
            remedy=f"{hint} `{place} --help` lists what it takes.".lstrip(),
        )
        raise _OneLine(str(known)) from error


def usage_error(what: str, remedy: str) -> SettingsError:
    """An error of the options and arguments of the command that runs."""
    return SettingsError(what, where=click.get_current_context().command_path, remedy=remedy)


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
            for value in kwargs.values():
                for path in value if isinstance(value, tuple) else (value,):
                    if isinstance(path, Path):
                        refuse_odd_name(path)
            with _stop_once(), _plain_notes():
                command(*args, **kwargs)
        except DeblendError as error:
            _end(context, f"error: {error}", EXIT_ERROR)
        except KeyboardInterrupt as stop:
            _end(context, f"stopped: {str(stop) or 'no result was written'}", EXIT_STOPPED)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except BrokenPipeError:
            raise
        except SystemExit as stop:
            _end(
                context,
                f"error: a method or reader of another package ended the program (status "
                f"{stop.code}). Repair, update or remove that package.",
                EXIT_ERROR,
            )
        except Exception as error:
            if isinstance(error, OSError) and error.errno == errno.ENOSPC:
                _end(
                    context,
                    "error: standard output cannot be written (no space is left there). Send it "
                    "elsewhere; results in files are complete.",
                    EXIT_ERROR,
                )
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
def _plain_notes() -> Iterator[None]:
    """Show what is no error and concerns the installation as one line."""
    shown = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], *place: Any, **more: Any) -> None:
        if issubclass(category, NotKept | NameTaken):
            click.echo(f"note: {message}", err=True)
        else:
            shown(message, category, *place, **more)

    warnings.showwarning = show
    try:
        yield
    finally:
        warnings.showwarning = shown


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
