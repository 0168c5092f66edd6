"""What training draws at random covers what is met, and the tissues stay tissues."""

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, EchoType, ProtocolName
from meniscal_measure.workshop.knees.tissue import Tissue
from meniscal_measure.workshop.training.random_scans import (
    EXTRUSION_MM,
    MILD,
    USUAL,
    draw_knee,
    draw_protocol,
    draw_scanner,
    draw_signals,
)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(4)


SPIN_ECHOES = [p for p in PROTOCOLS.values() if p.echo_type is EchoType.SPIN_ECHO]


def test_spin_echoes_surround_the_fixed_protocols(rng: np.random.Generator) -> None:
    drawn = [p for p in map(draw_protocol, [rng] * 600) if p.echo_type is EchoType.SPIN_ECHO]
    for protocol in SPIN_ECHOES:
        for name in ("repetition_time_ms", "echo_time_ms"):
            values = [getattr(p, name) for p in drawn]
            assert min(values) < getattr(protocol, name) < max(values), (protocol, name)
    assert {p.fat_suppressed for p in drawn} == {True, False}


def test_the_fixed_gradient_echo_is_quicker_than_any_that_is_drawn(
    rng: np.random.Generator,
) -> None:
    """So what is said of it was found on a sequence unlike those of training."""
    fixed = PROTOCOLS[ProtocolName.GRE_WE]
    drawn = [p for p in map(draw_protocol, [rng] * 600) if p.echo_type is EchoType.GRADIENT_ECHO]
    ratio = fixed.repetition_time_ms / fixed.echo_time_ms
    assert all(p.repetition_time_ms / p.echo_time_ms > ratio for p in drawn)


def test_an_echo_always_comes_before_the_next_excitation(rng: np.random.Generator) -> None:
    assert all(p.echo_time_ms < p.repetition_time_ms for p in map(draw_protocol, [rng] * 600))


def test_no_fixed_protocol_is_drawn(rng: np.random.Generator) -> None:
    fixed = {(p.repetition_time_ms, p.echo_time_ms) for p in PROTOCOLS.values()}
    drawn = {(p.repetition_time_ms, p.echo_time_ms) for p in map(draw_protocol, [rng] * 600)}
    assert not fixed & drawn


def test_air_gives_no_signal_and_every_tissue_some(rng: np.random.Generator) -> None:
    for _ in range(50):
        total = draw_signals(rng, draw_protocol(rng), 3.0).sum(axis=0)
        assert total[Tissue.AIR] == 0
        assert (np.delete(total, Tissue.AIR) > 0).all()


def test_fat_suppression_and_gradient_echoes_are_frequent(rng: np.random.Generator) -> None:
    drawn = [draw_protocol(rng) for _ in range(400)]
    assert 0.4 < np.mean([p.fat_suppressed for p in drawn]) < 0.7
    assert 0.15 < np.mean([p.echo_type is EchoType.GRADIENT_ECHO for p in drawn]) < 0.35


def test_fine_pixels_are_sampled_once_and_coarse_ones_more_finely(
    rng: np.random.Generator,
) -> None:
    assert draw_scanner(rng, 0.3).subsampling.in_plane == 1
    assert draw_scanner(rng, 0.8).subsampling.in_plane == 2


def test_extrusion_is_drawn_evenly_over_its_range(rng: np.random.Generator) -> None:
    found = [
        draw_knee(rng).parameters.meniscus(Compartment.MEDIAL).body_extrusion_mm for _ in range(300)
    ]
    shares, _ = np.histogram(found, bins=5, range=EXTRUSION_MM)
    assert (shares > 300 / 5 * 0.6).all()


def test_milder_images_have_less_noise_and_motion(rng: np.random.Generator) -> None:
    usual, mild = (
        [draw_scanner(rng, 0.5, severity) for _ in range(400)] for severity in (USUAL, MILD)
    )
    assert min(s.snr for s in mild) > MILD.least_snr > min(s.snr for s in usual)
    assert sum(s.motion is not None for s in mild) < sum(s.motion is not None for s in usual)
