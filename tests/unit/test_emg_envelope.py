"""Envelopes: filters, delay, normalisation, and what is noticed in a raw signal."""

from dataclasses import replace

import numpy as np
import pytest

from momentshare.emg import EmgSettings, Maximum, envelope, maximal_level, normalise
from momentshare.emg.quality import _hum
from momentshare.errors import InputError, ShapeError

RATE = 2000.0


def noise(seconds, *, rate=RATE, seed=0, size=2e-4):
    return size * np.random.default_rng(seed).standard_normal(round(seconds * rate))


def burst(seconds=4.0, **options):
    raw = noise(seconds, **options)
    time = np.arange(raw.size) / options.get("rate", RATE)
    return raw * (0.1 + np.exp(-(((time - 0.5 * seconds) / 0.4) ** 2)))


def said(found, word):
    return [note for note in found.notes if word in note]


@pytest.mark.parametrize("method", ["linear", "rms"])
def test_an_envelope_is_never_negative_and_scales_with_the_signal(method):
    settings = EmgSettings(method=method)
    once, thrice = (envelope(k * burst(), RATE, settings) for k in (1.0, 3.0))
    assert once.values.shape == burst().shape
    assert (once.values >= 0.0).all()
    np.testing.assert_allclose(thrice.values, 3.0 * once.values, rtol=1e-10, atol=1e-18)
    assert not once.values.flags.writeable
    assert once.notes == ()


def test_an_offset_changes_nothing():
    plain, lifted = envelope(burst(), RATE), envelope(burst() + 0.5, RATE)
    np.testing.assert_allclose(lifted.values, plain.values, atol=1e-12)


def test_nothing_moves_in_time():
    for method in ("linear", "rms"):
        forth = envelope(burst(), RATE, EmgSettings(method=method)).values
        back = envelope(burst()[::-1], RATE, EmgSettings(method=method)).values[::-1]
        inside = slice(1000, -1000)
        np.testing.assert_allclose(forth[inside], back[inside], rtol=1e-3)


def test_a_step_down_does_not_go_below_zero_and_is_noted():
    raw = noise(4.0)
    raw[: raw.size // 2] *= 1e-4
    found = envelope(raw, RATE)
    assert (found.values >= 0.0).all()
    assert said(found, "below zero")


def test_the_delay_puts_the_envelope_later():
    settings = EmgSettings(delay_s=0.05)
    now, later = envelope(burst(), RATE), envelope(burst(), RATE, settings)
    shift = round(0.05 * RATE)
    np.testing.assert_allclose(later.values[shift:], now.values[:-shift], rtol=1e-12)
    assert np.isnan(later.values[:shift]).all()
    assert said(later, "50 ms later")
    # Between two samples: half of each.
    half = envelope(burst(), RATE, EmgSettings(delay_s=0.5 / RATE)).values
    np.testing.assert_allclose(half[1:], 0.5 * (now.values[1:] + now.values[:-1]), rtol=1e-9)


def test_the_band_is_lowered_to_the_sampling_rate_and_noted():
    found = envelope(noise(2.0, rate=800.0), 800.0)
    assert said(found, "ends at 380 Hz instead of 450 Hz")
    assert not said(envelope(noise(2.0), RATE), "instead of")


@pytest.mark.parametrize("rate", [100.0, 50.0, 10.0])
def test_a_rate_too_low_for_the_band_is_refused(rate):
    # Long enough in every case; 100 Hz leaves a band from 20 to 47.5 Hz, just over an octave.
    raw = noise(20.0, rate=rate)
    if rate == 100.0:
        assert said(envelope(raw, rate), "ends at 47.5 Hz")
        return
    with pytest.raises(InputError, match="too low for a band from 20 Hz"):
        envelope(raw, rate)


def test_a_flat_line_gives_zero_and_is_noted():
    found = envelope(np.full(4000, 0.3), RATE)
    assert (found.values == 0.0).all()
    assert said(found, "flat line")


def test_a_channel_that_drops_out_is_noted():
    raw = noise(4.0)
    raw[3000:3600] = raw[3000]
    assert said(envelope(raw, RATE), "flat for 0.30 s from 1.50 s")
    raw = noise(4.0)
    raw[3000:3100] = raw[3000]
    assert not said(envelope(raw, RATE), "flat")


def test_clipping_is_noted():
    raw = burst()
    rail = 1.5e-4
    assert said(envelope(np.clip(raw, -rail, rail), RATE), "clipped")
    # Coarse steps of a converter alone are no clipping.
    assert not said(envelope(np.round(raw / 1e-6) * 1e-6, RATE), "clipped")


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_mains_hum_is_noted_with_its_frequency(mains):
    raw = noise(5.0)
    time = np.arange(raw.size) / RATE
    # White noise has 43 % of its power between 20 and 450 Hz at 2000 Hz.
    inside = 0.43 * raw.var()

    def with_share(share):
        size = np.sqrt(2.0 * inside * share / (1.0 - share))
        return raw + size * np.sin(2.0 * np.pi * mains * time)

    (note,) = said(envelope(with_share(0.30), RATE), "mains hum")
    assert f"{mains:g} Hz" in note
    shown = float(note.split(":")[1].split("%")[0])
    assert shown == pytest.approx(30.0, abs=3.0)
    (note,) = said(envelope(with_share(0.03), RATE), "mains hum")
    assert float(note.split(":")[1].split("%")[0]) == pytest.approx(3.0, abs=0.6)
    assert not said(envelope(with_share(0.004), RATE), "mains")
    assert not said(envelope(raw, RATE), "mains")


@pytest.mark.parametrize("seconds", [2.0, 10.0])
def test_noise_and_bursts_without_a_line_are_no_hum(seconds):
    """Of 200 sound recordings, half of them bursts, none may be noted."""
    time = np.arange(int(seconds * RATE)) / RATE
    heard = 0
    for seed in range(200):
        raw = 1e-4 * np.random.default_rng(seed).standard_normal(time.size)
        if seed % 2:
            raw = raw * (0.05 + np.clip(np.sin(2.0 * np.pi * time / 4.0 + seed), 0.0, None) ** 2)
        heard += bool(_hum(raw, RATE, 20.0, 450.0))
    assert heard == 0


def test_hum_below_a_tenth_of_the_power_is_noted_between_bursts():
    """Hum of a fifth of the amplitude: 4 % of the power, most of it at rest."""
    raw = burst()
    time = np.arange(raw.size) / RATE
    hum = 0.2 * np.sqrt(0.43) * raw.std() * np.sqrt(2.0) * np.sin(2.0 * np.pi * 50.0 * time)
    (note,) = said(envelope(raw + hum, RATE), "mains hum")
    assert "at 50 Hz" in note
    assert float(note.split(":")[1].split("%")[0]) == pytest.approx(100.0 * 0.04 / 1.04, abs=0.8)


def test_harmonics_count_as_hum():
    raw = noise(5.0)
    time = np.arange(raw.size) / RATE
    hum = sum(np.sin(2.0 * np.pi * 50.0 * k * time) for k in (3, 5, 7))
    assert said(envelope(raw + 1e-4 * hum, RATE), "50 Hz and its harmonics")


def test_drift_is_noted_and_taken_out():
    raw = noise(5.0)
    ramp = np.linspace(0.0, 5e-3, raw.size)
    found = envelope(raw + ramp, RATE)
    assert said(found, "drift")
    inside = slice(1000, -1000)
    np.testing.assert_allclose(
        found.values[inside], envelope(raw, RATE).values[inside], rtol=0.0, atol=1e-7
    )


def test_the_maximum_is_the_greatest_mean_over_a_window():
    raw = noise(6.0)
    raw[4000:6000] *= 5.0
    found = maximal_level(raw, RATE)
    values = envelope(raw, RATE).values
    slow = [values[k : k + 1000].mean() for k in range(values.size - 999)]
    assert float(found) == pytest.approx(max(slow), rel=1e-12)
    assert found.start == pytest.approx(np.argmax(slow) / RATE)
    assert 1.9 < found.start < 2.6
    # The delay of the settings plays no part.
    assert float(maximal_level(raw, RATE, EmgSettings(delay_s=0.1))) == float(found)


def test_normalised_values_above_one_are_kept_and_noted():
    found = envelope(burst(), RATE)
    level = normalise(found, 0.5 * float(found.values.max()))
    assert level.unit == "1"
    assert level.values.max() == pytest.approx(2.0)
    (note,) = said(level, "exceed the maximal contraction")
    assert "2.00 times" in note
    assert level.greatest == pytest.approx(2.0)
    assert level.share_above_one == pytest.approx((level.values > 1.0).mean())
    assert f"{100.0 * level.share_above_one:.1f} % of the samples" in note
    whole = normalise(found, float(found.values.max()))
    assert not said(whole, "exceed")
    assert (whole.greatest, whole.share_above_one) == (1.0, 0.0)


@pytest.mark.parametrize(("greatest", "printed"), [(1.004, ""), (1.0051, "1.01"), (1.01, "1.01")])
def test_an_excess_that_prints_as_one_is_told_by_the_result_alone(greatest, printed):
    found = envelope(burst(), RATE)
    level = normalise(found, float(found.values.max()) / greatest)
    assert level.greatest == pytest.approx(greatest)
    assert 0.0 < level.share_above_one < 1.0
    notes = said(level, "exceed")
    assert len(notes) == bool(printed)
    assert all(f"up to {printed} times" in note for note in notes)


def test_a_rare_excess_is_no_nought_per_cent():
    found = envelope(burst(), RATE)
    values = np.full(4000, 0.5)
    values[7] = 1.2
    (note,) = said(normalise(replace(found, values=values), 1.0), "exceed")
    assert note.startswith("less than 0.1 % of the samples")


def test_empty_samples_of_a_delay_do_not_count_in_the_share():
    found = envelope(burst(), RATE)
    values = np.array([np.nan, np.nan, 0.5, 1.5])
    level = normalise(replace(found, values=values), 1.0)
    assert (level.share_above_one, level.greatest) == (0.5, 1.5)
    assert np.isnan(found.share_above_one)
    empty = normalise(replace(found, values=np.full(4, np.nan)), 1.0)
    assert np.isnan([empty.greatest, empty.share_above_one]).all()
    assert not said(empty, "exceed")


def test_a_lift_that_is_its_own_maximum_averages_one_over_the_window():
    raw = burst()
    level = normalise(envelope(raw, RATE), maximal_level(raw, RATE))
    first = round(maximal_level(raw, RATE).start * RATE)
    assert level.values[first : first + 1000].mean() == pytest.approx(1.0, rel=1e-10)


def test_notes_of_the_maximal_contraction_travel_along():
    maximum = maximal_level(np.clip(burst(), -1e-4, 1e-4), RATE)
    level = normalise(envelope(burst(), RATE), maximum)
    assert any(note.startswith("maximal contraction: clipped") for note in level.notes)


def test_the_delay_alone_does_not_hinder_normalising():
    found = envelope(burst(), RATE, EmgSettings(delay_s=0.05))
    assert np.isfinite(normalise(found, maximal_level(burst(), RATE)).values[200:]).all()


def test_unlike_settings_and_a_second_normalisation_are_refused():
    found = envelope(burst(), RATE, EmgSettings(method="rms"))
    with pytest.raises(InputError, match="processed differently"):
        normalise(found, maximal_level(burst(), RATE))
    with pytest.raises(InputError, match="already"):
        normalise(normalise(found, 1e-3), 1e-3)


def test_an_empty_maximal_contraction_is_refused():
    with pytest.raises(InputError, match=r"mvc\.csv: maximal contraction: no signal"):
        maximal_level(np.zeros(4000), RATE, label="mvc.csv")
    for bad in (0.0, -1.0, np.nan, "much"):
        with pytest.raises(InputError, match="normalise: maximum"):
            normalise(envelope(burst(), RATE), bad)
    with pytest.raises(InputError, match="shorter than the window"):
        maximal_level(noise(1.0), RATE, window_s=2.0)
    with pytest.raises(InputError, match="window_s"):
        maximal_level(noise(1.0), RATE, window_s=0.0)


@pytest.mark.parametrize(
    ("raw", "rate", "error", "text"),
    [
        ([], RATE, InputError, "at least 0.333 s"),
        (np.zeros(100), RATE, InputError, "got 100 samples"),
        (np.zeros((2, 4000)), RATE, ShapeError, "one channel"),
        (np.r_[np.zeros(3000), np.nan, np.zeros(3000)], RATE, ShapeError, "nan at sample 3000"),
        (np.r_[np.zeros(4000), np.inf], RATE, ShapeError, "inf at sample 4000"),
        (["a", "b"], RATE, ShapeError, "array of numbers"),
        (np.zeros(4000), 0.0, InputError, "rate"),
        (np.zeros(4000), np.nan, InputError, "rate"),
        (np.zeros(4000), None, InputError, "rate"),
    ],
)
def test_hostile_signals_are_refused_by_name(raw, rate, error, text):
    with pytest.raises(error, match=text) as caught:
        envelope(raw, rate, label="press_3.csv: emg/triceps")
    assert str(caught.value).startswith("press_3.csv: emg/triceps: ")


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"low": 0.0}, "low"),
        ({"low": 500.0}, "low < high"),
        ({"cutoff": -1.0}, "cutoff"),
        ({"cutoff": np.nan}, "cutoff"),
        ({"method": "peak"}, "method"),
        ({"window_s": 0.0}, "window_s"),
        ({"delay_s": -0.01}, "delay_s"),
        ({"delay_s": 50.0}, "give seconds"),
        ({"high": "wide"}, "must be a number"),
    ],
)
def test_settings_out_of_range_are_refused_by_name(given, text):
    with pytest.raises(InputError, match=text):
        EmgSettings(**given)


def test_a_cutoff_above_the_band_is_refused():
    with pytest.raises(InputError, match="cutoff"):
        envelope(noise(1.0), RATE, EmgSettings(cutoff=460.0))


def test_a_maximum_is_a_number():
    found = Maximum(value=2.0, start=0.0, window_s=0.5, settings=EmgSettings(), notes=())
    assert float(found) == 2.0


def test_a_narrow_band_about_the_mains_frequency_alone_is_no_hum():
    raw = noise(20.0)
    settings = EmgSettings(low=42.0, high=62.0)
    assert not said(envelope(raw, RATE, settings), "mains")
    hum = 5e-5 * np.sin(2.0 * np.pi * 50.0 * np.arange(raw.size) / RATE)
    assert said(envelope(raw + hum, RATE, settings), "mains hum")
