"""The command `deblend benchmark-line`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from deblend.cli.errors import plain_errors
from deblend.cli.options import FiniteRange


@click.command("benchmark-line", short_help="Compare a source with lines shot without overlap.")
@click.argument("trial", metavar="TRIAL.sgy", type=click.Path(path_type=Path))
@click.argument(
    "benchmarks",
    metavar="BENCHMARK.sgy...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="CSV table to write.")
@click.option(
    "--velocities",
    type=click.Path(path_type=Path),
    help="CSV table position_m, time_s, rms_velocity_m_s; without it no stack is compared.",
)
@click.option(
    "--match",
    type=click.Choice(["none", "scalar", "spectral"]),
    default="scalar",
    show_default=True,
    help="Match of source strength, applied to the trial.",
)
@click.option(
    "--farthest-m",
    type=FiniteRange(min=0.0),
    default=12.5,
    show_default=True,
    help="Traces farther apart are left out (m).",
)
@click.option(
    "--bin-m",
    type=FiniteRange(min=0.0, min_open=True),
    default=6.25,
    show_default=True,
    help="Size of bins along the line (m).",
)
@click.option("--resample", is_flag=True, help="Bring benchmarks to the interval of the trial.")
@click.option(
    "--method", help="Separator the trial went through; what its manifest says by default."
)
@click.option("--iterations", type=click.IntRange(min=1), help="Iterations it took; likewise.")
@click.option("--limits", type=click.Path(path_type=Path), help="Limits of your own.")
@click.pass_context
@plain_errors
def benchmark_line(
    context: click.Context,
    trial: Path,
    benchmarks: tuple[Path, ...],
    out: Path,
    velocities: Path | None,
    match: Literal["none", "scalar", "spectral"],
    farthest_m: float,
    bin_m: float,
    resample: bool,
    method: str | None,
    iterations: int | None,
    limits: Path | None,
) -> None:
    """Compare a separated source with lines shot without overlap nearby.

    Also compares the trial thinned to the fold of the benchmark, and the benchmark put through the
    same separation. Exit status 0: within all limits; 1: findings want a look; 3: findings fail.
    """
    from deblend.cli.display import show_findings
    from deblend.cli.progress import progress_display
    from deblend.qc.limits import default_limits, overall_verdict, read_limits
    from deblend.results.judge import EXIT_STATUS
    from deblend.stack.velocity import read_velocities
    from deblend.trial.compare_lines import Comparison, compare_lines

    with progress_display() as progress:
        findings = compare_lines(
            trial,
            benchmarks,
            out,
            None if velocities is None else read_velocities(velocities),
            default_limits() if limits is None else read_limits(limits),
            Comparison(match, farthest_m, bin_m, resample, method, iterations),
            progress,
        )
    show_findings(findings)
    verdict = overall_verdict(findings)
    click.echo(f"table in {out}\nverdict: {verdict}")
    context.exit(EXIT_STATUS[verdict])
