"""Which of our functions answers which quantity of the statistics cases."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from monitor.stats import (
    change,
    current_loop,
    cusum,
    ewma,
    flat,
    optimal,
    qartod,
    regression,
    robust,
    run_length,
    run_length_ar1,
    trend,
)

Inputs = dict[str, Any]


def cusum_sums(i: Inputs) -> tuple[Any, Any]:
    return cusum.cusum_series(i["x"], i["target"], i["K"], i.get("headstart", 0.0))


def cusum_signal(i: Inputs) -> int:
    """The cases say 0 for "no signal"."""
    inclusive = ">=" in i.get("rule", "S > H")
    found = cusum.cusum_signal(
        i["x"], i["target"], i["K"], i["H"], i.get("headstart", 0.0), inclusive=inclusive
    )
    return found or 0


def cusum_arl(function: Callable[..., float]) -> Callable[[Inputs], float]:
    def length(i: Inputs) -> float:
        extra = {"headstart": i["headstart"]} if "headstart" in i else {}
        return function(i["k"], i["h"], i.get("shift_sigma", 0.0), **extra)

    return length


def siegmund_two_sided(i: Inputs) -> float:
    shift = i.get("shift_sigma", 0.0)
    ways = (run_length.cusum_arl_siegmund(i["k"], i["h"], sign * shift) for sign in (1.0, -1.0))
    return 1.0 / sum(1.0 / length for length in ways)


def cusum_arl_ar1(i: Inputs) -> float:
    own = "innovation sigma" if "innov" in i.get("scaled_by", "").lower() else "marginal sigma"
    return run_length_ar1.cusum_arl_ar1(i["k"], i["h"], i["ar1_phi"], scaled_by=own)  # type: ignore[arg-type]  # one of the two


def ewma_arl(i: Inputs) -> float:
    limits = i.get("limits", "asymptotic").lower()
    kind = "time-varying" if "vary" in limits or "exact" in limits else "asymptotic"
    return run_length.ewma_arl(i["lambda"], i["L"], i.get("shift_sigma", 0.0), kind)  # type: ignore[arg-type]  # one of the two words


def ewma_signal(limits: str) -> Callable[[Inputs], int]:
    def signal(i: Inputs) -> int:
        sigma = i["s"] if "s" in i else i["sigma"]
        return ewma.ewma_signal(i["x"], i["z0"], sigma, i["lambda"], i["L"], limits) or 0  # type: ignore[arg-type]  # a word of Limits, below

    return signal


def ewma_ucl_lcl(i: Inputs) -> list[float]:
    low, high = ewma.ewma_limits(i["target"], i["s"] if "s" in i else i["sigma"], i["lambda"], i["L"])
    return [high, low]


def theil_sen(i: Inputs) -> trend.TheilSen:
    """The intercept is median(y) - slope median(t), unless it is defined as the median of y - slope t."""
    said = i.get("definition", "").lower().replace(" ", "")
    joint = "joint" in said or re.search(r"median(of|\()\(?y[_a-z]*-", said) is not None
    return trend.theil_sen(i["t"], i["y"], intercept="joint" if joint else "separate")


def theil_sen_interval(i: Inputs) -> list[float]:
    line = theil_sen(i)
    return [line.low, line.high]


def page_hinkley_signal(i: Inputs) -> int:
    found = change.page_hinkley_signal(
        i["x"],
        i["delta"],
        i["threshold"],
        i.get("alpha", 1.0),
        i.get("min_instances", 1),
        i.get("mode", "up"),
    )
    return found or 0


def identical(i: Inputs) -> float:
    return flat.identical_readings_probability(i["resolution_over_sigma"], i["n"], offset(i))


def offset(i: Inputs) -> float:
    """A true value u steps off a code is as far off its nearest code: u = 0.7 is u = -0.3."""
    steps = float(i.get("offset_in_steps", 0.0))
    return steps - round(steps) if math.isfinite(steps) else steps


def flat_runs(i: Inputs) -> float:
    return flat.expected_flat_runs(i["resolution_over_sigma"], i["n"], i["samples"], offset(i))


def line(i: Inputs) -> regression.Line:
    return regression.least_squares(i["x"], i["y"])


def loss(i: Inputs) -> regression.Line:
    return regression.least_squares(i["t_h"], i["volume_L"])


def loss_interval(i: Inputs) -> list[float]:
    fitted = loss(i)
    return [fitted.slope_low, fitted.slope_high]


def faster(i: Inputs) -> regression.FasterThanBaseline:
    return regression.faster_than_baseline(loss(i), i["baseline_slope"])


def slope_se(i: Inputs) -> float:
    noise = i.get("noise", "independent").lower()
    if not any(word in noise for word in ("independent", "white", "iid", "uncorrelated")):
        raise NotImplementedError(f"noise {noise!r}")
    return regression.slope_se_from_noise(i["sigma_mm"], i["dt_min"] / 60.0, i["n"])


def flat_counts(i: Inputs) -> list[int]:
    included = "present one included" in i.get("reading", "present one included")
    return [
        *qartod.flat_line_count_flags(
            i["x"], i["EPS"], i["REP_CNT_SUSPECT"], i["REP_CNT_FAIL"], present_included=included
        )
    ]


def spikes(i: Inputs) -> list[int]:
    return [*qartod.spike_flags(i["x"], i.get("suspect"), i.get("fail"), i.get("method", "average"))]


def rates(i: Inputs) -> list[int]:
    times = [i["dt_s"] * n for n in range(len(i["x"]))]
    return [*qartod.rate_flags(i["x"], times, i["threshold_per_s"])]


QUANTITIES: dict[str, Callable[[Inputs], Any]] = {
    "cusum_upper_series": lambda i: cusum_sums(i)[0],
    "cusum_lower_series": lambda i: cusum_sums(i)[1],
    "cusum_signal_index": cusum_signal,
    "cusum_arl_two_sided": cusum_arl(run_length.cusum_arl_two_sided),
    "cusum_arl_two_sided_fir": cusum_arl(run_length.cusum_arl_two_sided),
    "cusum_arl_one_sided": cusum_arl(run_length.cusum_arl_one_sided),
    "cusum_arl_two_sided_siegmund_approx": siegmund_two_sided,
    "cusum_arl0_with_ar1_autocorrelation": cusum_arl_ar1,
    "optimal_cusum_threshold": lambda i: optimal.optimal_cusum_threshold(i["ARL0"], i["shift_sigma"]),
    "optimal_cusum_worst_delay": lambda i: optimal.optimal_cusum_worst_delay(i["ARL0"], i["shift_sigma"]),
    "optimal_cusum_delay_over_lnARL0_per_KL": lambda i: optimal.optimal_cusum_delay_ratio(
        i["ARL0"], i["shift_sigma"]
    ),
    "optimal_cusum_stationary_delay": lambda i: optimal.optimal_cusum_stationary_delay(
        i["ARL0"], i["shift_sigma"]
    ),
    "shiryaev_roberts_stationary_delay": lambda i: optimal.shiryaev_roberts_stationary_delay(
        i["ARL0"], i["shift_sigma"]
    ),
    "ewma_arl_two_sided": ewma_arl,
    "ewma_series": lambda i: ewma.ewma_series(i["x"], i["lambda"], i["z0"]),
    "ewma_limits_UCL_LCL": ewma_ucl_lcl,
    "ewma_signal_index": ewma_signal("asymptotic"),
    "ewma_signal_index_time_varying_limits": ewma_signal("time-varying"),
    "shewhart_arl0_two_sided": lambda i: run_length.shewhart_arl0(i["z"]),
    "expected_false_alarms_per_day": lambda i: run_length.false_alarms_per_day(
        i["sensors"], i["independent_samples_per_day"], i["two_sided_z"]
    ),
    "mean_samples_to_m_consecutive_exceedances": lambda i: run_length.consecutive_exceedances_samples(
        i["p"], i["m"]
    ),
    "mean_days_between_false_alarms": lambda i: run_length.mean_days_between_false_alarms(
        i["ARL0"], i["sample_minutes"], i.get("sensors", 1)
    ),
    "mann_kendall_S": lambda i: trend.mann_kendall(i["x"]).s,
    "mann_kendall_varS": lambda i: trend.mann_kendall(i["x"]).variance,
    "mann_kendall_Z": lambda i: trend.mann_kendall(i["x"]).z,
    "mann_kendall_p_two_sided": lambda i: trend.mann_kendall(i["x"]).p_two_sided,
    "theil_sen_slope": lambda i: theil_sen(i).slope,
    "theil_sen_slope_95ci": theil_sen_interval,
    "theil_sen_intercept": lambda i: theil_sen(i).intercept,
    "median_and_MAD": lambda i: robust.median_and_mad(i["x"]),
    "MAD_zero_case": lambda i: robust.median_and_mad(i["x"])[1],
    "modified_z": lambda i: robust.modified_z(i["x"]),
    "modified_z_outlier_indices": lambda i: robust.outliers(i["x"], i.get("cutoff", 3.5)),
    "page_hinkley_statistic_series": lambda i: change.page_hinkley_series(
        i["x"], i["delta"], i.get("alpha", 1.0), i.get("mode", "up")
    ),
    "page_hinkley_detection_index": page_hinkley_signal,
    "prob_n_identical_readings": identical,
    "prob_n_identical_readings_offset_averaged": lambda i: flat.identical_readings_probability_averaged(
        i["resolution_over_sigma"], i["n"]
    ),
    "expected_false_flatline_runs_per_day": flat_runs,
    "ols_slope": lambda i: line(i).slope,
    "ols_slope_se": lambda i: line(i).slope_se,
    "ols_intercept": lambda i: line(i).intercept,
    "ols_intercept_se": lambda i: line(i).intercept_se,
    "ols_residual_sd": lambda i: line(i).residual_sd,
    "loss_rate_slope_L_per_h": lambda i: loss(i).slope,
    "loss_rate_se": lambda i: loss(i).slope_se,
    "loss_rate_95ci": loss_interval,
    "loss_faster_than_baseline_t": lambda i: faster(i).t,
    "loss_faster_than_baseline_p_one_sided": lambda i: faster(i).p_one_sided,
    "slope_se_from_noise": slope_se,
    "effective_sample_size_ar1": lambda i: regression.effective_sample_size(i["n"], i["lag1_rho"]),
    "ne43_class": lambda i: current_loop.ne43_class(i["mA"]),
    "current_to_value": lambda i: current_loop.current_to_value(i["mA"], i["LRV"], i["URV"]),
    "ne43_fault_after_persistence": lambda i: current_loop.fault_standing(i["mA"], i["dt_s"], i["hold_s"]),
    "qartod_gap_flag": lambda i: int(qartod.gap_flag(i["age_s"], i["TIM_INC_s"])),
    "qartod_gross_range": lambda i: [
        *qartod.gross_range_flags(
            i["x"], tuple(i["fail_span"]), tuple(i["suspect_span"]) if "suspect_span" in i else None
        )
    ],
    "qartod_spike": spikes,
    "qartod_rate_of_change": rates,
    "qartod_flat_line": lambda i: [
        *qartod.flat_line_flags(i["x"], i["dt_s"], i["suspect_s"], i["fail_s"], i["tolerance"])
    ],
    "qartod_flat_line_manual_counts": flat_counts,
    "qartod_attenuated_signal": lambda i: [
        *qartod.attenuated_flags(i["x"], i["suspect"], i["fail"], i.get("check", "std"))
    ],
}
