"""The deliberate faults that ``mutations.py`` tries: what stands in a file, what it becomes.

Each is what a tired person might write: a sign, a limit, a factor, an axis, a check left out.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutation:
    """``before`` stands in ``file`` exactly once and becomes ``after``; ``tests``: files in this
    folder, or single tests of a slow one, that must see it.
    """

    file: str
    before: str
    after: str
    tests: tuple[str, ...]


MUTATIONS = (
    # From folder to session
    Mutation(
        "stackkit/run/walk.py",
        "seen = {inode(folder) for folder in real.parents}",
        "seen: set[Inode | None] = set()",
        ("test_discover.py",),
    ),
    Mutation(
        "stackkit/session/duplicates.py",
        "if all(w == longest or _starts(longest, w) for w in longer):",
        "if any(w == longest or _starts(longest, w) for w in longer):",
        ("test_duplicates.py",),
    ),
    Mutation(
        "stackkit/session/grouping.py",
        "return [int(part) if k % 2 else part for k, part in enumerate(parts)], name",
        "return list(parts), name",
        ("test_grouping.py",),
    ),
    Mutation(
        "stackkit/session/by_sky.py",
        "return len(pairs) < _ENOUGH or min(shares) > _COMMON",
        "return len(pairs) < _ENOUGH or max(shares) > 0",
        ("test_by_sky.py",),
    ),
    # What a file says and holds
    Mutation(
        "stackkit/raw/headers/tags.py",
        "while offset and offset not in seen and len(seen) < _MOST_DIRECTORIES:",
        "while offset and offset not in seen:",
        ("test_tags.py",),
    ),
    Mutation(
        "stackkit/raw/headers/tags.py",
        "if code in entries and code in _LAYOUT:",
        "if code in entries and code not in _LAYOUT:",
        ("test_tags.py", "test_raw_bounds.py"),
    ),
    Mutation(
        "stackkit/raw/headers/times.py",
        'fraction[:6].ljust(6, "0")',
        'fraction[:6].rjust(6, "0")',
        ("test_metadata.py",),
    ),
    Mutation(
        "stackkit/raw/headers/times.py",
        'for s in (_zone(tags.get(z, "")) for z in zones) if s is not None',
        'for s in (_zone(tags.get(z, "")) for z in zones) if s',
        ("test_times.py",),
    ),
    Mutation(
        "stackkit/raw/headers/metadata.py",
        "((34855, 65534), (34867, 1e9), (34866, 1e9))",
        "((34855, 65535), (34867, 1e9), (34866, 1e9))",
        ("test_metadata.py",),
    ),
    Mutation(
        "stackkit/raw/headers/metadata.py",
        "degrees = figures[0] + figures[1] / 60 + figures[2] / 3600",
        "degrees = figures[0] + figures[1] / 60 + figures[2] / 60",
        ("test_metadata.py", "test_place.py"),
    ),
    Mutation(
        "stackkit/raw/headers/kinds.py",
        "if len(head) < 8 or first + 2 > size:",
        "if len(head) < 8:",
        ("test_grouping.py", "test_raw_damage.py"),
    ),
    Mutation(
        "stackkit/raw/headers/checks.py",
        "if min(width, height) < LEAST_SIDE:",
        "if max(width, height) < LEAST_SIDE:",
        ("test_raw_damage.py",),
    ),
    Mutation(
        "stackkit/raw/decode.py",
        "pattern = np.roll(read_pattern(path, tags), origin, axis=(0, 1))",
        "pattern = read_pattern(path, tags)",
        ("test_decode.py", "test_levels.py"),
    ),
    Mutation(
        "stackkit/raw/dng.py",
        "return np.take(data, np.argsort(stored), axis=axis)",
        "return np.take(data, stored, axis=axis)",
        ("test_dng.py",),
    ),
    Mutation(
        "stackkit/raw/levels.py",
        '((50716, "rows"), (50715, "columns"))',
        '((50715, "rows"), (50716, "columns"))',
        ("test_levels.py",),
    ),
    Mutation(
        "stackkit/raw/levels.py",
        "if np.isfinite(level) and level > black]",
        "if np.isfinite(level)]",
        ("test_levels.py",),
    ),
    Mutation(
        "stackkit/raw/salvage.py",
        "min(max(end - start - last + row, 0) // row, _rows(number, found))",
        "min(max(end - start + row, 0) // row, _rows(number, found))",
        ("test_salvage.py",),
    ),
    Mutation(
        "stackkit/raw/opcodes/lists.py",
        "Opcode(number, bool(flags & 1), blob[at : at + size])",
        "Opcode(number, bool(flags & 2), blob[at : at + size])",
        ("test_opcode_lists.py",),
    ),
    Mutation(
        "stackkit/raw/opcodes/apply.py",
        "corner = opcodes.raw_origin if list_number == _RAW else opcodes.origin",
        "corner = opcodes.origin",
        ("test_opcodes.py",),
    ),
    Mutation(
        "stackkit/raw/opcodes/tables.py",
        "if not gains.max() <= MOST_GAIN:",
        "if gains.max() < 0:",
        ("test_opcode_lists.py", "test_opcodes.py"),
    ),
    Mutation(
        "stackkit/raw/opcodes/arithmetic.py",
        "share = (places + 0.5) / window.area[axis]",
        "share = places / window.area[axis]",
        ("test_opcodes.py",),
    ),
    Mutation(
        "stackkit/raw/opcodes/arithmetic.py",
        "view[y, x] = 2.0 * start - found if value < 0 else found",
        "view[y, x] = -found if value < 0 else found",
        ("test_opcodes.py",),
    ),
    Mutation(
        "stackkit/raw/pictures.py",
        "((share + 0.055) / 1.055) ** 2.4",
        "((share + 0.055) / 1.055) ** 2.2",
        ("test_raw_pictures.py",),
    ),
    Mutation(
        "stackkit/run/readers.py",
        "        if late:\n",
        "        if not late:\n",
        ("test_readers.py",),
    ),
    # Into the cache
    Mutation(
        "stackkit/calibration/load.py",
        "> _SAME_LEVEL * (white - black)",
        "> _SAME_LEVEL",
        ("test_calibration_load.py",),
    ),
    Mutation(
        "stackkit/calibration/apply.py",
        "return relief_of(np.float32(1) / correction.flat, _sites(pattern))",
        "return relief_of(correction.flat, _sites(pattern))",
        ("test_calibration_apply.py", "test_pipeline_calibration.py"),
    ),
    Mutation(
        "stackkit/calibration/banding.py",
        "if not _scatter(jumps) > _LEAST_RATIO * _noise(steps):",
        "if not _scatter(jumps) > _noise(steps):",
        ("test_banding.py",),
    ),
    Mutation(
        "stackkit/calibration/frames.py",
        "        return chosen.dark\n    return chosen.bias",
        "        return chosen.bias\n    return chosen.bias",
        ("test_calibration_frames.py",),
    ),
    Mutation(
        "stackkit/calibration/masters.py",
        "variance[y, x] = noise / light**2",
        "variance[y, x] = noise / light",
        ("test_masters.py",),
    ),
    Mutation(
        "stackkit/calibration/masters.py",
        "if master.kind is not Kind.FLAT and own.iso != iso and None not in (own.iso, iso):",
        "if own.iso != iso and None not in (own.iso, iso):",
        ("test_masters.py",),
    ),
    Mutation(
        "stackkit/calibration/dark_scaling.py",
        "plane = fixed + scale * (dark.value - fixed)",
        "plane = scale * dark.value",
        ("test_dark_scaling.py",),
    ),
    Mutation(
        "stackkit/calibration/pattern_shrinkage.py",
        "share[np.abs(detail) > _SURE * sigma] = 1.0",
        "share[detail > _SURE * sigma] = 1.0",
        ("test_masters.py",),
    ),
    Mutation(
        "stackkit/calibration/mosaic_cache.py",
        "first : (window.right + 7) // 8]",
        "first : window.right // 8]",
        ("test_mosaic_cache.py",),
    ),
    Mutation(
        "stackkit/run/checkpoints.py",
        "if mark != _MARK or (checksum, length) != _summed(file):",
        "if mark != _MARK:",
        ("test_checkpoints.py",),
    ),
    Mutation(
        "stackkit/run/workspace.py",
        "passing + results if together else passing}",
        "passing}",
        ("test_workspace.py",),
    ),
    # What is wrong with the sensor, and how noisy it is
    Mutation(
        "stackkit/sensor/suspects.py",
        "mask[y, x] |= beside > SHARED * own - 0.7 * sigma",
        "mask[y, x] |= False",
        ("test_suspects.py",),
    ),
    Mutation(
        "stackkit/sensor/fixed_pattern.py",
        "share = 2 * correlation / (1 + correlation) if correlation > 0 else 0.0",
        "share = correlation if correlation > 0 else 0.0",
        ("test_fixed_pattern.py",),
    ),
    Mutation(
        "stackkit/noise/photon_transfer.py",
        "max(float(offset * span**2), QUANTISATION)",
        "max(float(offset * span), QUANTISATION)",
        ("test_photon_transfer.py",),
    ),
    Mutation(
        "stackkit/noise/blocks.py",
        "freedom += n - 1",
        "freedom += n",
        ("test_photon_transfer.py",),
    ),
    # Stars, and which are the same
    Mutation(
        "stackkit/stars/detect.py",
        "row[3] = 2 * np.pi * s * s * amplitude.sum()",
        "row[3] = np.pi * s * s * amplitude.sum()",
        ("test_stars.py",),
    ),
    Mutation(
        "stackkit/stars/shapes.py",
        "return float(np.sqrt(1 + q)), float(np.sqrt(1 - q))",
        "return float(1 + q), float(1 - q)",
        ("test_indicators.py",),
    ),
    Mutation(
        "stackkit/align/triangles.py",
        "return m, n, bx - m * ax + n * ay, by - n * ax - m * ay",
        "return m, n, bx - m * ax - n * ay, by - n * ax - m * ay",
        ("test_matching.py",),
    ),
    Mutation(
        "stackkit/align/spatial.py",
        "yy / count - y * y, xy_ / count - x * y",
        "yy / count - y * y, xy_ / count",
        ("test_spatial.py", "test_matching.py"),
    ),
    Mutation(
        "stackkit/align/matching.py",
        "p = np.clip(np.sort(near)[used:] * k / hits, 1e-30, 1 - 1e-9)",
        "p = np.clip(np.sort(near)[used:], 1e-30, 1 - 1e-9)",
        ("test_matching.py",),
    ),
    Mutation(
        "stackkit/align/pairing.py",
        "score = np.where(np.array(shares) < 1, _CUT * score, score)",
        "score = np.where(np.array(shares) < 1, score, score)",
        ("test_pairing.py",),
    ),
    # The lens, the sky's turning, and every frame's place
    Mutation(
        "stackkit/geometry/rotation.py",
        "two = np.where(small, 0.5, (1 - np.cos(safe)) / safe**2)",
        "two = np.where(small, 0.5, (1 - np.cos(safe)) / safe)",
        ("test_geometry.py",),
    ),
    Mutation(
        "stackkit/geometry/rotation.py",
        "return float(np.arctan2(0.5 * np.linalg.norm(axis), 0.5 * (np.trace(m) - 1)))",
        "return float(np.arccos(np.clip(0.5 * (np.trace(m) - 1), -1, 1)))",
        ("test_geometry.py",),
    ),
    Mutation(
        "stackkit/align/lens_start.py",
        "k1, k2 = q * k[1] / k[0], q * q * k[2] / k[0]",
        "k1, k2 = q * k[1] / k[0], q * k[2] / k[0]",
        ("test_bundle.py",),
    ),
    Mutation(
        "stackkit/geometry/jacobians.py",
        "steepness = lift**2 * (AIR[0] / (sine + AIR[1]) ** 2 - 1)",
        "steepness = lift**2 * (AIR[0] / (sine + AIR[1]) - 1)",
        ("test_bundle.py",),
    ),
    Mutation(
        "stackkit/align/normal_equations.py",
        "low = np.tril_indices(total, -1)",
        "low = np.tril_indices(total, -2)",
        ("test_normal_equations.py",),
    ),
    Mutation(
        "stackkit/align/normal_equations.py",
        "far = size > _HUBER",
        "far = size > 1e9 * _HUBER",
        ("test_bundle.py",),
    ),
    Mutation(
        "stackkit/align/lens_choice.py",
        "best_rotation(directions[seen.star[here]], rays[here])",
        "best_rotation(rays[here], directions[seen.star[here]])",
        ("test_lens_choice.py",),
    ),
    Mutation(
        "stackkit/align/sky_rotation.py",
        "trusted = abs(rate - SIDEREAL) < _UNTRUSTED * sigma",
        "trusted = abs(rate - SIDEREAL) < 0.5 * SIDEREAL",
        ("test_sky_rotation.py",),
    ),
    Mutation(
        "stackkit/align/tripod_moves.py",
        "limit = float(np.log(_CHANCE) - vain * np.log(len(clock)))",
        "limit = float(np.log(_CHANCE) + vain * np.log(len(clock)))",
        ("test_tripod_moves.py", "test_geometry_cases.py"),
    ),
    Mutation(
        "stackkit/align/tracks.py",
        "often = times >= min(_LEAST_SEEN, len(placed))",
        "often = times >= 1",
        ("test_tracks.py",),
    ),
    Mutation(
        "stackkit/align/predict.py",
        "single = min(stars * np.pi * _NEAR**2 / (size[0] * size[1]), 0.999)",
        "single = min(np.pi * _NEAR**2 / (size[0] * size[1]), 0.999)",
        ("test_predict.py",),
    ),
    Mutation(
        "stackkit/align/position_error.py",
        "moved = -across @ np.linalg.solve(by_ray @ across, by_lens)",
        "moved = across @ np.linalg.solve(by_ray @ across, by_lens)",
        ("test_position_error.py",),
    ),
    Mutation(
        "stackkit/align/warps.py",
        " and np.linalg.det(slope[32, 32]) > 0):",
        "):",
        ("test_warps.py",),
    ),
    Mutation(
        "stackkit/align/register.py",
        "if ratio > max(1.0, _WORST * worst)]",
        "if ratio > 2 * worst]",
        ("test_register.py",),
    ),
    Mutation(
        "stackkit/align/unmatched.py",
        "same = [first, *(k for k in others if match(seen[first], seen[k]) is not None)]",
        "same = [first, *others]",
        ("test_unmatched.py",),
    ),
    Mutation(
        "stackkit/record/geometry.py",
        '(("north", axis), ("south", -axis))',
        '(("south", axis), ("north", -axis))',
        ("test_record_geometry.py",),
    ),
    # What befell a frame, and what it counts
    Mutation(
        "stackkit/grading/photometric.py",
        "difference = frame.mesh[colour] - transparency * seen",
        "difference = frame.mesh[colour] - seen",
        ("test_photometric.py",),
    ),
    Mutation(
        "stackkit/stars/first_check.py",
        "clipped = np.count_nonzero(adu >= clip) / max(int(np.count_nonzero(~np.isnan(adu))), 1)",
        "clipped = np.count_nonzero(adu >= clip) / adu.size",
        ("test_indicators.py", "test_grade.py"),
    ),
    Mutation(
        "stackkit/grading/indicators.py",
        "by_light=2 * np.log(light),",
        "by_light=np.log(light),",
        ("test_grade.py",),
    ),
    Mutation(
        "stackkit/grading/diagnosis.py",
        "steady = s.by_light - 2 * s.drift",
        "steady = s.by_light",
        ("test_grade.py",),
    ),
    Mutation(
        "stackkit/grading/grade.py",
        "(transparency[reference] ** 2 * sharp[reference])",
        "transparency[reference] ** 2",
        ("test_grade.py",),
    ),
    # From samples to the picture
    Mutation(
        "stackkit/raw/bayer.py",
        "_SHARES * scale[:, None] / scale[None, :]",
        "_SHARES * scale[None, :] / scale[:, None]",
        ("test_demosaic.py",),
    ),
    Mutation(
        "stackkit/integration/resample.py",
        "line.value[c, x] = (line.value[c, x] - polynomial(away, u, v)) * light",
        "line.value[c, x] = line.value[c, x] * light - polynomial(away, u, v)",
        ("test_resample.py",),
    ),
    Mutation(
        "stackkit/integration/interpolation_response.py",
        "within = (np.arange(2 * PHASES) + 0.5) / PHASES",
        "within = np.arange(2 * PHASES) / PHASES",
        ("test_resample.py", "test_deblur.py"),
    ),
    Mutation(
        "stackkit/integration/tiles.py",
        "low, high = found[0] - _REACH, found[1] + _REACH + 1",
        "low, high = found[0] - _REACH, found[1] + 1",
        ("test_tiles.py",),
    ),
    Mutation(
        "stackkit/integration/methods.py",
        "if not (math.isfinite(number) and low <= number <= high):",
        "if not low <= number < high:",
        ("test_methods_table.py",),
    ),
    Mutation(
        "stackkit/integration/kernels.py",
        "reach = kappa * np.sqrt(square / size)",
        "reach = kappa * np.sqrt(square / (size - 1))",
        ("test_methods.py",),
    ),
    Mutation(
        "stackkit/integration/noise_kernels.py",
        "lane[_AVERAGE + j] * of_median[n[j] - 1] + lane[EXTRA + j]",
        "lane[_AVERAGE + j] * of_median[1] + lane[EXTRA + j]",
        ("test_methods_robust.py", "test_methods_noise.py"),
    ),
    Mutation(
        "stackkit/integration/order_statistics.py",
        "of_largest = n * density * below ** (n - 1) * step",
        "of_largest = n * density * below**n * step",
        ("test_methods_robust.py", "test_methods_noise.py"),
    ),
    Mutation(
        "stackkit/integration/rejection/outliers.py",
        "value[x + 1] = zero if np.isnan(v) else min(max(v, -limit), limit)",
        "value[x + 1] = zero if np.isnan(v) else v",
        ("test_outliers.py",),
    ),
    Mutation(
        "stackkit/integration/rejection/line_sums.py",
        "down = np.uint64(s - half)",
        "down = np.uint64(half)",
        ("test_trails.py",),
    ),
    Mutation(
        "stackkit/integration/rejection/trails.py",
        "for where in (here, sky))",
        "for where in (here, here))",
        ("test_trails.py",),
    ),
    Mutation(
        "stackkit/integration/rejection/trail_path.py",
        "return np.vstack([first, nodes, last])",
        "return np.vstack([first, nodes])",
        ("test_trails.py",),
    ),
    Mutation(
        "stackkit/integration/deblur.py",
        "np.roll(there, move, axis=(-2, -1))",
        "np.roll(there, move, axis=(-1, -2))",
        ("test_deblur.py",),
    ),
    Mutation(
        "stackkit/integration/weighted_sum.py",
        "return self.mapping.from_reference((np.asarray(xy) + 0.5) / self.sampling - 0.5)",
        "return self.mapping.from_reference(np.asarray(xy) / self.sampling)",
        ("test_sampling.py",),
    ),
    Mutation(
        "stackkit/integration/passes.py",
        "elif not width <= _WIDEST:",
        "elif width > _WIDEST:",
        ("test_sampling.py",),
    ),
    Mutation(
        "stackkit/stars/photometry.py",
        "centre[axis] += 2 * (weighed * away)",
        "centre[axis] -= 2 * (weighed * away)",
        ("test_compare.py::test_star_widths_are_those_of_another_measure",),
    ),
    Mutation(
        "stackkit/record/picture.py",
        "width = middle(widths(plane, places)) / scale if len(stars) else np.nan",
        "width = middle(widths(plane, places)) if len(stars) else np.nan",
        ("test_record_picture.py",),
    ),
    Mutation(
        "stackkit/picture/thumbnails.py",
        "first, last = max(top - _BEYOND, 0), min(bottom + _BEYOND, height)",
        "first, last = max(top - _BEYOND, 0), bottom",
        ("test_thumbnails.py::test_rows_are_opened_alike_wherever_they_are_cut",),
    ),
    Mutation(
        "stackkit/record/night_events.py",
        'word = "sharper" if after < before else "less sharp"',
        'word = "sharper" if after > before else "less sharp"',
        ("test_night_events.py",),
    ),
    # Comparison and inspection
    Mutation(
        "stackkit/compare/figures.py",
        "return np.hypot(yard.noise, [np.nan if v is None else v for v in away])",
        "return np.array([np.nan if v is None else v for v in away])",
        ("test_compare.py::test_the_noise_of_a_method_is_the_yardstick_s_and_the_difference_s",),
    ),
    Mutation(
        "stackkit/compare/figures.py",
        "return yard.left + (1 - yard.left) * found / expected if expected > 0 else None",
        "return found / expected if expected > 0 else None",
        ("test_compare.py::test_what_is_left_of_a_trail_is_a_share_of_the_mean_s",),
    ),
    Mutation(
        "stackkit/compare/yardstick.py",
        "        mean=mean,\n",
        "        mean=base.value,\n",
        ("test_compare.py::test_every_method_of_a_night",),
    ),
    Mutation(
        "stackkit/compare/places.py",
        "top = min(max(place.top, 0), height - HEIGHT)",
        "top = min(place.top, height - HEIGHT)",
        ("test_compare.py::test_places_lie_inside_and_show_what_they_say",),
    ),
    Mutation(
        "stackkit/compare/advice.py",
        "least = min(errors)",
        "least = errors[0]",
        ("test_compare.py::test_advice_prefers_the_least_error_and_says_why",),
    ),
    Mutation(
        "stackkit/inspect/facts.py",
        "usual = np.flatnonzero(counts > _RARE * data.size)",
        "usual = np.flatnonzero(counts)",
        ("test_inspect.py::test_one_repaired_site_does_not_hide_the_step",),
    ),
    Mutation(
        "stackkit/session/pauses.py",
        "longest = max(_MISSED * usual, usual + _CLOCK)",
        "longest = _MISSED * usual",
        ("test_inspect.py::test_a_clock_of_whole_seconds_makes_no_gaps",),
    ),
    Mutation(
        "stackkit/inspect/sample.py",
        "return float(np.std(near, dtype=np.float64) / np.sqrt(2))",
        "return float(np.std(near, dtype=np.float64))",
        ("test_inspect.py::test_scatter_of_two_frames_is_their_noise",),
    ),
    Mutation(
        "stackkit/inspect/verdicts.py",
        "return float(np.sqrt(1 + noise.floor / max(noise.slope * sky, 1e-9)))",
        "return float(np.sqrt(1 + noise.floor / max(sky, 1e-9)))",
        ("test_inspect.py::test_share_of_the_read_noise",),
    ),
    Mutation(
        "stackkit/inspect/verdicts.py",
        "return float(steps[-1] * scale) if steps else float(scale)",
        "return float(min(s for s in (*steps, 10) if s * scale >= value) * scale)",
        ("test_inspect.py::test_exposures_that_can_be_set_are_never_longer",),
    ),
    # Colour
    Mutation(
        "stackkit/picture/colour/camera.py",
        "low, high = 1 / kelvins[k - 1], 1 / kelvins[k]\n    share = (1 / wanted - high)",
        "low, high = kelvins[k], kelvins[k - 1]\n    share = (wanted - high)",
        ("test_colour.py",),
    ),
    Mutation(
        "stackkit/picture/colour/spaces.py",
        "np.diag(after / before)",
        "np.diag(before / after)",
        ("test_colour.py",),
    ),
    Mutation(
        "stackkit/picture/colour/develop.py",
        "light[c, y, x] += share * (brightest - light[c, y, x])",
        "light[c, y, x] -= share * (brightest - light[c, y, x])",
        ("test_colour.py", "test_preview.py"),
    ),
    Mutation(
        "stackkit/picture/gradient.py",
        "np.arctan2(slope[0], -slope[1])",
        "np.arctan2(slope[0], slope[1])",
        ("test_gradient.py",),
    ),
    Mutation(
        "stackkit/picture/shrink.py",
        "- max(columns[x], float(i))",
        "- float(i)",
        ("test_shrink.py",),
    ),
    Mutation(
        "stackkit/picture/edit.py",
        'asked = {"dng": self.dng, "gradient": self.gradient == REMOVE}',
        'asked = {"dng": self.dng, "gradient": self.gradient == KEEP}',
        ("test_cli_editing.py::test_what_was_taken_off_lies_beside",),
    ),
    # The files
    Mutation(
        "stackkit/output/fits.py",
        "seconds=float(np.average(since, weights=weight))",
        "seconds=float(np.average(since))",
        ("test_output_fits.py",),
    ),
    Mutation(
        "stackkit/picture/edit.py",
        "chosen = int(np.argmax(share <= _LOST)) if",
        "chosen = int(np.argmax(share > _LOST)) if",
        ("test_output_tiff.py",),
    ),
    Mutation(
        "stackkit/output/tiff.py",
        "rows = develop_rows(picture, top, min(top + _ROWS, picture.shape[1]), how)",
        "rows = develop_rows(picture, 0, picture.shape[1], how)[:, top : top + _ROWS, ::-1]",
        ("test_output_tiff.py",),
    ),
    Mutation(
        "stackkit/output/dng.py",
        "return [value * neutral[k // 3] for k, value in enumerate(matrix)]",
        "return [value * neutral[k % 3] for k, value in enumerate(matrix)]",
        ("test_colour_chart.py",),
    ),
    Mutation(
        "stackkit/output/linear_dng.py",
        "back = {6: 8, 8: 6}.get(orientation, orientation)",
        "back = orientation",
        ("test_output_linear_dng.py",),
    ),
    Mutation(
        "stackkit/picture/preview.py",
        "encoded /= np.maximum(encoded.max(axis=0), 1)",
        "np.minimum(encoded, 1, out=encoded)",
        ("test_preview.py::test_the_brightest_channel_is_scaled_down_with_the_others",),
    ),
    Mutation(
        "stackkit/picture/orientation.py",
        "if orientation in (2, 3, 6, 7):",
        "if orientation in (2, 3, 7, 8):",
        ("test_output_tiff.py",),
    ),
    Mutation(
        "stackkit/output/profile.py",
        "hashlib.md5(blank, usedforsecurity=False)",
        "hashlib.md5(profile, usedforsecurity=False)",
        ("test_profile.py",),
    ),
    Mutation(
        "stackkit/output/opcode_list.py",
        "steps = spacing or (1 / max(down - 1, 1), 1 / max(across - 1, 1))",
        "steps = spacing or (1 / down, 1 / across)",
        ("test_opcodes.py", "test_calibration_apply.py"),
    ),
    Mutation(
        "stackkit/output/about.py",
        "(int(abs(value)), int(minutes), minutes % 1 * 60)",
        "(int(abs(value)), int(minutes), minutes % 1)",
        ("test_output_tiff.py", "test_place.py"),
    ),
    Mutation(
        "stackkit/run/files.py",
        "        with suppress(OSError):\n            temporary.unlink(missing_ok=True)",
        "        pass",
        ("test_files.py",),
    ),
    Mutation(
        "stackkit/record/file.py",
        "return float(value) if math.isfinite(value) else None",
        "return float(value)",
        ("test_record.py",),
    ),
    Mutation(
        "stackkit/calibration/master_file.py",
        'exposure=header.get("EXPTIME"),',
        'exposure=header.get("EXPOSURE"),',
        ("test_master_file.py",),
    ),
    # The pages
    Mutation(
        "stackkit/report/document.py",
        "autoescape=True,",
        "autoescape=False,",
        ("test_night_page.py",),
    ),
    Mutation(
        "stackkit/report/chart.py",
        "(falls / (2 * last) + stays))",
        "(falls / (2 * last)))",
        ("test_comparison_page.py",),
    ),
    Mutation(
        "stackkit/report/method_figures.py",
        "if value == min(judged)[0]}",
        "if value == max(judged)[0]}",
        ("test_comparison_page.py",),
    ),
    Mutation(
        "stackkit/report/maps.py",
        "(-y if orientation in (3, 4, 7, 8) else y)",
        "(-y if orientation in (3, 4) else y)",
        ("test_night_page.py",),
    ),
    Mutation(
        "stackkit/report/time_chart.py",
        "share = (value - self.low) / (self.high - self.low)",
        "share = (self.high - value) / (self.high - self.low)",
        ("test_night_page.py",),
    ),
    Mutation(
        "stackkit/report/frames.py",
        'return Fate.LESS if row["cause"] else Fate.FULL',
        'return Fate.LESS if row["weight"] < 1 else Fate.FULL',
        ("test_night_page.py",),
    ),
    Mutation(
        "stackkit/report/night_words.py",
        'value = ",".join(f"{one:g}" for one in value)',
        'value = " ".join(f"{one:g}" for one in value)',
        ("test_night_page.py",),
    ),
    Mutation(
        "stackkit/report/plan_charts.py",
        "right = waxing != south",
        "right = waxing",
        ("test_plan_page.py",),
    ),
    # Planning
    Mutation(
        "stackkit/plan/sky/ephemeris.py",
        'vector + bary["v"] / _LIGHT * _length(vector)[:, None]',
        'vector - bary["v"] / _LIGHT * _length(vector)[:, None]',
        ("test_plan_sky.py",),
    ),
    Mutation(
        "stackkit/plan/sky/ephemeris.py",
        "np.sin(ahead) > 0)",
        "np.sin(ahead) < 0)",
        ("test_plan_sky.py",),
    ),
    Mutation(
        "stackkit/plan/sky/events.py",
        "pairs = ((max(a, c), min(b, d)) for a, b in one for c, d in other)",
        "pairs = ((max(a, c), max(b, d)) for a, b in one for c, d in other)",
        ("test_plan_sky.py",),
    ),
    Mutation(
        "stackkit/plan/sky/night.py",
        "np.sin(radius + _REFRACTION)",
        "np.sin(radius - _REFRACTION)",
        ("test_plan_sky.py",),
    ),
    Mutation(
        "stackkit/plan/sky/moonlight.py",
        "0.026 * angle + 4e-9 * angle**4",
        "0.026 * angle + 4e-9 * angle**3",
        ("test_plan_sky.py",),
    ),
    Mutation(
        "stackkit/plan/camera.py",
        "replace(c, pixels=(v[0], v[1]))",
        "replace(c, pixels=(v[1], v[0]))",
        ("test_plan_exposure.py",),
    ),
    Mutation(
        "stackkit/plan/exposure.py",
        "turns = rotation(-SIDEREAL * np.asarray(seconds)[:, None] * pole(aim.latitude))",
        "turns = rotation(SIDEREAL * np.asarray(seconds)[:, None] * pole(aim.latitude))",
        ("test_plan_exposure.py",),
    ),
    Mutation(
        "stackkit/plan/series.py",
        "frames = int(max(min(_wanted(exposure, minutes), (room + _PAUSE) // cadence), 1))",
        "frames = int(max(min(_wanted(exposure, minutes), (room + cadence) // cadence), 1))",
        ("test_plan_advice.py", "test_plan_exposure.py"),
    ),
    Mutation(
        "stackkit/plan/like.py",
        "share = sqrt(1 + frame.read_e**2 / sky)",
        "share = sqrt(1 + frame.read_e / sky)",
        ("test_plan_exposure.py",),
    ),
    Mutation(
        "stackkit/plan/targets.py",
        "usable[1] - visibility.run, usable[0]",
        "usable[1], usable[0]",
        ("test_plan_targets.py",),
    ),
    Mutation(
        "stackkit/plan/sky/places.py",
        "value = whole + minutes / 60 + seconds / 3600",
        "value = whole + minutes / 60 + seconds / 60",
        ("test_plan_places.py",),
    ),
    Mutation(
        "stackkit/plan/memory.py",
        'missing = "--lon" if longitude is None else "--lat"',
        'missing = "--lon" if latitude is None else "--lat"',
        ("test_plan_places.py", "test_cli_plan.py::test_bad_input_is_one_clear_line"),
    ),
    Mutation(
        "stackkit/plan/invitation.py",
        'event.add("dtend", _moment(window["until"]))',
        'event.add("dtend", _moment(window["from"]))',
        ("test_cli_plan.py::test_the_calendar_entry_is_read_by_calendars",),
    ),
    Mutation(
        "stackkit/plan/planner.py",
        "(undark and not (request.evening and request.count is None))",
        "undark",
        ("test_plan_advice.py", "test_cli_plan.py"),
    ),
    # Simulated nights
    Mutation(
        "stackkit/simulate/night.py",
        "turned = bool(night.refocus_frame) and k >= night.refocus_frame",
        "turned = bool(night.refocus_frame) and k > night.refocus_frame",
        ("test_simulate_camera_moves.py",),
    ),
    Mutation(
        "stackkit/simulate/sky.py",
        "10 ** (3.7 + 0.47 * (night.faintest - 6))",
        "10 ** (3.7 + 0.47 * (night.faintest - 5))",
        ("test_simulate_camera_moves.py",),
    ),
    Mutation(
        "stackkit/simulate/sensor.py",
        "caught += rng.normal(0, night.read_noise, electrons.shape)",
        "caught += rng.normal(0, night.read_noise**2, electrons.shape)",
        ("test_simulate.py",),
    ),
    Mutation(
        "stackkit/simulate/conditions.py",
        "            blur2 += amount**2",
        "            blur2 += amount",
        ("test_mishaps.py",),
    ),
    Mutation(
        "stackkit/simulate/mishaps.py",
        "if first >= 0 and free[place].all() and free.sum() - length >= frames / 2:",
        "if first >= 0 and free[place].all():",
        ("test_mishaps.py",),
    ),
    Mutation(
        "stackkit/simulate/camera.py",
        "moments = seconds + exposure * ((np.arange(steps) + 0.5) / steps - 0.5)",
        "moments = seconds + exposure * (np.arange(steps) + 0.5) / steps",
        ("test_stars.py",),
    ),
    # The command
    Mutation(
        "cli/main.py",
        "if near:\n                ctx.fail",
        "if not near:\n                ctx.fail",
        ("test_cli_bad_input.py::test_a_command_that_is_misspelled",),
    ),
    Mutation(
        "cli/terminal.py",
        "if not math.isfinite(number):",
        "if math.isinf(number):",
        ("test_cli_simulate.py::test_wrong_usage", "test_cli_bad_input.py"),
    ),
    Mutation(
        "cli/fates.py",
        "if runs and place[id(row)] == place[id(runs[-1][-1])] + 1:",
        "if runs and place[id(row)] > place[id(runs[-1][-1])]:",
        ("test_fates.py",),
    ),
    Mutation(
        "stackkit/record/rate.py",
        "sigma is not None and sigma <= _TOO_VAGUE * SIDEREAL_ARCSEC",
        "sigma is not None",
        ("test_summary.py",),
    ),
    Mutation(
        "cli/summary.py",
        "for number, push in enumerate(pushes[:_MOST_PUSHES]):",
        "for number, push in enumerate(pushes[: _MOST_PUSHES + 1]):",
        ("test_summary.py",),
    ),
    Mutation(
        "cli/comparison_text.py",
        'return set_cell_size(set_cell_size(name, width - 1).rstrip() + "…", width)',
        'return set_cell_size(name, width) + "…"',
        ("test_comparison_text.py",),
    ),
    Mutation(
        "cli/simulate.py",
        "if old and not force:",
        "if old and force:",
        ("test_cli_simulate.py",),
    ),
    Mutation(
        "cli/masters.py",
        'parts += [f"{said.exposure:g}s"] if said.exposure else []',
        "",
        ("test_cli_masters.py",),
    ),
    Mutation(
        "cli/plan_text.py",
        "{'N' if north >= 0 else 'S'}",
        "{'N' if north <= 0 else 'S'}",
        ("test_cli_plan.py::test_a_place_is_kept_only_when_asked",),
    ),
    Mutation(
        "cli/inspection_text.py",
        "files, {rows[0]['file']} to {rows[-1]['file']}",
        "files, {rows[0]['file']} to {rows[0]['file']}",
        ("test_cli_inspect.py",),
    ),
    Mutation(
        "cli/stack.py",
        "        take_back(new)\n        raise",
        "        raise",
        ("test_cli_bad_input.py",),
    ),
    Mutation(
        "stackkit/plan/ranking.py",
        "return -min(round(2 * scores[k]) / 2, _ENOUGH), late, night.date",
        "return min(round(2 * scores[k]) / 2, _ENOUGH), late, night.date",
        ("test_cli_plan.py::test_nights_with_more_darkness_come_first_up_to_four_hours",),
    ),
    Mutation(
        "stackkit/plan/ranking.py",
        "return -min(round(2 * scores[k]) / 2, _ENOUGH), late, night.date",
        "return -round(2 * scores[k]) / 2, late, night.date",
        ("test_cli_plan.py::test_nights_with_more_darkness_come_first_up_to_four_hours",),
    ),
    Mutation(
        "stackkit/plan/invitation.py",
        'alarm.add("trigger", -_REMIND)',
        'alarm.add("trigger", _REMIND)',
        ("test_cli_plan.py::test_the_calendar_entry_is_read_by_calendars",),
    ),
    Mutation(
        "stackkit/plan/memory.py",
        "temporary.touch(mode=0o600)",
        "temporary.touch()",
        ("test_cli_plan.py::test_a_place_is_kept_only_when_asked",),
    ),
    Mutation(
        "stackkit/run/readers.py",
        "            if closing.is_set():\n                raise\n            well",
        "            if not closing.is_set():\n                raise\n            well",
        ("test_readers.py::test_a_process_that_the_system_killed_is_started_once_more",),
    ),
)
