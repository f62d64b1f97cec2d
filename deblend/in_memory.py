"""`separate`: a line in, labelled gathers out, all in memory, and measured if asked."""

from __future__ import annotations

from dataclasses import replace

from deblend.model.findings import Finding
from deblend.model.geometry import unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.qc.in_memory import MeasuredInMemory
from deblend.separation.amplitudes import with_possible_samples
from deblend.separation.choose import MethodChoice
from deblend.separation.loop import Callback
from deblend.separation.separate import Separation, separate_line
from deblend.separation.settings import (
    DEFAULTS,
    DeviceChoice,
    ResidualChoice,
    SeparationSettings,
)


def separate(
    recording: Recording,
    shots: Shots,
    *,
    length_s: float,
    method: MethodChoice = "auto",
    iterations: int = DEFAULTS.iterations,
    seed: int = DEFAULTS.seed,
    refine_times: bool = DEFAULTS.refine_times,
    residual: ResidualChoice = DEFAULTS.residual,
    robust: bool = DEFAULTS.robust,
    learn_floor: bool = DEFAULTS.learn_floor,
    return_leakage: bool = DEFAULTS.return_leakage,
    device: DeviceChoice = DEFAULTS.device,
    callback: Callback | None = None,
    quality: bool = False,
) -> Separation:
    """Separate the sources of a continuous record.

    Parameters
    ----------
    recording : Recording
        The record; NaN and Inf mark unknown samples.
    shots : Shots
        Every shot whose energy is in the record, in the time scale of the record. Shots just
        before and after the span belong here too, or their energy has nowhere to go.
    length_s : float
        Length of a gather trace in seconds.
    method : str, Separator or callable, optional
        Name of a separator method, its settings object, or a function of a patch
        (source, shot, channel, time) and a threshold.
    iterations : int, optional
        Number of iterations.
    seed : int, optional
        Of the patch origins; equal seeds give equal results.
    refine_times : bool, optional
        Whether small errors of the fire times are estimated from the data and corrected before; see
        `deblend.separation.fire_times`. What was found is in `findings` and `time_shifts`.
    residual : {"leave_out", "share_by_fold", "add_to_each_shot"}, optional
        What becomes of the part of the record that is not explained.
    robust : bool, optional
        Whether parts of the record that are unlike neighbouring channels and shots (swell, spikes,
        a bad channel, another vessel) get less weight in the fit; what was found is in `findings`.
    learn_floor : bool, optional
        Whether samples withheld from the fit of some channels decide where thresholds stay above
        the noise (`fk` and `joint`), see `deblend.separation.learned_floor`.
    return_leakage : bool, optional
        Whether signal that the unexplained part has in common with the estimate is put back at the
        end, see `deblend.separation.leakage_return`.
    device : {"auto", "cpu", "gpu"}, optional
        Where to compute.
    callback : callable, optional
        Sees an `IterationRecord` after each iteration; returning True ends the loop.
    quality : bool, optional
        Whether shots and channels are held against the samples before
        (`deblend.check.verify_samples`) and the result is measured (leakage, loss, residual, seams
        and what else is in `deblend.qc.metrics`, under the default limits) as the command `deblend
        separate` does it, in `findings`. Offsets are not known here: a constant offset of the clock
        cannot be told from travel time, and single shots ask for a look at most.

    Returns
    -------
    Separation

    Raises
    ------
    InputError
        If the input cannot be used (`TimeError` and `SettingsError` are kinds of it).
    SeparationError
        If the method breaks its contract.
    """
    settings = SeparationSettings(
        iterations=iterations,
        seed=seed,
        refine_times=refine_times,
        residual=residual,
        robust=robust,
        learn_floor=learn_floor,
        return_leakage=return_leakage,
        device=device,
    )
    verified = _verified(recording, shots) if quality else []
    measured = MeasuredInMemory() if quality else None
    separation = separate_line(
        recording,
        shots,
        length_s=length_s,
        method=method,
        settings=settings,
        callback=callback,
        on_block=None if measured is None else measured.measure,
    )
    if measured is None:
        return separation
    found = measured.findings(separation.estimate.to_numpy())
    return replace(separation, findings=(*verified, *separation.findings, *found))


def _verified(recording: Recording, shots: Shots) -> list[Finding]:
    """What the samples say of shots and channels; of single shots a look at most.

    Without offsets a reflection may be taken for a direct arrival: recorded lines without a fault
    had shots accused so.
    """
    from deblend.check.verify_samples import verify_record

    possible, _ = with_possible_samples(recording)
    found = verify_record(possible, shots, unknown_geometry(len(shots), recording.shape[0]))
    return [_uncertain(one) if _accuses_a_shot(one) else one for one in found]


def _accuses_a_shot(finding: Finding) -> bool:
    named = finding.shot_point is not None or finding.instant_ns is not None
    return finding.verdict == "fail" and named


def _uncertain(finding: Finding) -> Finding:
    message = (
        f"{finding.message} Offsets are not known here, and a reflection may have been taken for a "
        "direct arrival: deblend check --with-samples knows them."
    )
    return replace(finding, verdict="look", message=message)
