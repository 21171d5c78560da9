"""The keys of every answer's JSON, as `lanes explain NAME.json` prints them.

`[]` marks a list, brackets hold the keys of what stands before them. Each answer has `schema`
before these and `flags` after them; unknown is null. `tests/questions/test_contract.py` holds every
answer to its line.
"""

KEYS = {
    "results": (
        "scan(file, sha256, width_px, height_px, bits, mode, dpi, transfer), light, law, channel, "
        "layout(width_mm, height_mm, origin_mm, front_mm, corners_px, found), lanes[](name, x_mm, "
        "width_mm, run_mm, role, limit, spots[](rf, rf_sd, rf_sd_noise, hrf, position_mm, area, "
        "area_sd, area_sd_noise, area_percent, area_percent_sd, area_percent_sd_noise, height, "
        "width_mm, sigma_mm, asymmetry, plate_number, signal_to_noise, colour, colour_name, "
        "flags[]), pairs[](lower, upper, delta_rf, resolution, resolution_sd, "
        "resolution_sd_noise, valley_to_peak), fit(components, r_squared, reduced_chi_square, "
        "aicc, bic, tried[](components, shape, rss, parameters, aicc, bic)), noise(sd, "
        "correlation_mm), flags[]), flags[](name, message), about, settings"
    ),
    "shoulder": (
        "lane, rf, verdict, p_value, delta_aicc, delta_bic, components[](rf, rf_sd, area_percent, "
        "area_percent_sd), alternatives[](name, aicc), colour(p_value), evidence[](view, verdict, "
        "words, value), detectable[](resolution, "
        "percent)"
    ),
    "purity": (
        "lane, main(rf, area_percent, low, high), others[](rf, area_percent, low, high), joined[], "
        "joined_percent, undetected_below_percent, beside_main[](resolution, percent), "
        "laws[](law, area_percent, undetected_below_percent), "
        "limit_test[](lane, percent, reference_rf, rf, ratio, sds, verdict)"
    ),
    "compare": (
        "unknown, references[](name, verdict, reason, limit_percent, limit_of_reference, "
        "matched[](unknown_rf, reference_rf)), pairs[](unknown_rf, reference, reference_rf, "
        "difference, difference_sd, low, high, p_value, margin, resolvable_difference, verdict, "
        "reasons[], area_ratio, area_ratio_sd, colour(verdict, p_value, angle), "
        "relative_retardation, cospots[]), unexplained[](rf, area_percent), unsure[], "
        "resolvable_difference, repeatability(sd, degrees_of_freedom, shared, own_sd), "
        "cospots[](lane, parts[]), correlation[](lane, shift, correlation), other_plate"
    ),
    "follow": (
        "unit, lanes[], times[], normalised, start_rf, product_rf, reference_rf, spots[](rf, "
        "kind, share[](time, percent, low, high, detected)), conversion[](time, percent, low, "
        "high, detected), order(verdict, reason, lanes_used, lanes_as_limits), rate(constant, sd, "
        "low, high, half_life, half_life_low, half_life_high, response_ratio, response_ratio_low, "
        "response_ratio_high, chi_square, degrees_of_freedom, widened, misfit_p), "
        "rate_if_responses_equal(constant, sd, low, high, half_life, half_life_low, "
        "half_life_high, response_ratio, response_ratio_low, response_ratio_high, chi_square, "
        "degrees_of_freedom, widened, misfit_p)"
    ),
    "fractions": (
        "target_rf, purity_asked_percent, volumes_given, fractions[](name, volume, target_area, "
        "target_area_sd, target_not_detected_above_area, others_area, purity_percent, purity_low, "
        "purity_high, undetected_below_percent), pool(fractions[], purity_percent, purity_low, "
        "purity_high, recovery_percent, recovery_low, recovery_high, meets), nearest, "
        "pool_by_expected_purity(fractions[], purity_percent, purity_low, purity_high, "
        "recovery_percent, recovery_low, recovery_high, meets), runners_up[](fractions[], "
        "purity_percent, purity_low, purity_high, recovery_percent, recovery_low, recovery_high, "
        "meets)"
    ),
    "amount": (
        "rf, unit, model, formula, parameters[](name, value, sd), scatter(kind, sd), "
        "models_tried[](name, aicc, rss, why_not), lack_of_fit, standards[](name, amount, rf, "
        "area, area_sd, fitted, sd), unknowns[](name, lanes[], rf, area, area_sd, amount, sd, "
        "low, high, dilution, missed_below, flags[]), detection_limit, quantitation_limit, "
        "limits_from(sigma, slope)"
    ),
    "solvent": (
        "lane, weak, strong, plates[](file, fraction, light, rf[]), components[](name, slope, "
        "slope_sd, intercept, intercept_sd, rf[], shared[]), scatter(plate_sd, spot_sd, "
        "estimated, line_probability, width_law_sd), recommended(fraction, extrapolated, rf[], "
        "rf_low[], rf_high[], worst_pair[], worst_resolution, worst_low, worst_high, probability, "
        "beyond_window), outside_window, map[](fraction, extrapolated, rf[], rf_low[], rf_high[], "
        "worst_pair[], worst_resolution, worst_low, worst_high, probability), next_try(fraction, "
        "extrapolated, sd_now, sd_then), matches[](probability, spots[], recommended_fraction, "
        "worst_resolution, changes), columns(target_rf, targets[](component, fraction, low, high, "
        "extrapolated, nearest_volumes), volumes[](component, rf, volumes, to_next)), one_plate"
    ),
}


def described(name: str) -> str:
    """Return the keys of `name`.json on one line, those that all answers share included."""
    return f"schema, {KEYS[name]}" + ("" if name == "results" else ", flags[](name, message)")


def parsed(text: str) -> dict[str, dict[str, object] | None]:
    """Return the keys in a description, with those inside each; None where it names none.

    >>> parsed("rf, main(rf, low), others[]")
    {'rf': None, 'main': {'rf': None, 'low': None}, 'others': None}
    """
    out: dict[str, dict[str, object] | None] = {}
    depth, start = 0, 0
    for i, letter in enumerate(text + ","):
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if letter == "," and depth == 0:
            name, bracket, inside = text[start:i].strip().partition("(")
            out[name.removesuffix("[]")] = dict(parsed(inside[:-1])) if bracket else None
            start = i + 1
    return out
