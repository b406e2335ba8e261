"""Grid and arrays of the page of ``momentshare explore``."""

import zlib
from base64 import b64decode

import numpy as np
import pytest
from tests.node import run_modules

from momentshare.errors import InputError
from momentshare.explore import example_study
from momentshare.explore.grid import HEIGHTS, Nodes, grid_presses
from momentshare.explore.payload import pack, stored
from momentshare.explore.tables import press_tables
from momentshare.paths.course import path_points
from momentshare.study import plan_study

FEW = Nodes(spacings=(1.0, 1.8), touches=(0.10,), angles=(0.0, 30.0))


@pytest.fixture(scope="module", name="made")
def made_once():
    study = example_study()
    limbs = plan_study(study).limbs()
    presses = grid_presses(study, limbs, FEW)
    return study, limbs, presses, press_tables(limbs, presses)


def test_every_person_has_every_press_and_every_condition(made):
    study, _, presses, _ = made
    for person in range(2):
        mine = [p for p in presses if p.person == person]
        assert sum(p.kind == "press" for p in mine) == FEW.size
        assert {p.node for p in mine if p.kind == "push_up"} <= {(0, 0, 0), (1, 0, 0)}
        assert [p.condition for p in mine if p.kind == "condition"] == [
            c.name for c in study.file.condition
        ]


def test_a_push_up_shares_the_geometry_of_the_press_turned_over(made):
    _, _, _, tables = made
    at = {
        (p.person, p.node, p.kind): g
        for p, g in zip(tables.presses, tables.geometry_of, strict=True)
    }
    ups = [key for key in at if key[2] == "push_up"]
    assert len(ups) == 4
    for person, node, _ in ups:
        assert at[person, node, "push_up"] == at[person, node, "press"]
    assert len(tables.geometry["arms"]) < len(tables.presses)


def test_moments_follow_from_the_arrays_for_any_load(made):
    """Fixed part, part of each kilogram and lever of the push give the library's net moments."""
    from dataclasses import replace

    from momentshare.exercise.demand import demand

    _, limbs, _, tables = made
    for number, press in enumerate(tables.presses):
        skeleton = limbs.skeleton.take(press.person)
        body = skeleton.person.body_mass
        lift = press.lift
        task = {name: values[number] for name, values in tables.task.items()}
        load, push = 17.0, 23.0
        if press.kind == "push_up":
            heavier = (body + load) / 2.0
            part = np.einsum("fk,fk->f", lift.load_force, np.broadcast_to(lift.up, (HEIGHTS, 3)))
            share = part / 9.80665
            force = ((share * body + load) / (body + load) * 9.80665)[:, None] * lift.up
            lift = replace(lift, load_mass=heavier, load_force=force)
        else:
            lift = replace(lift, load_mass=load / 2.0)
        need = demand(skeleton, lift)
        wanted = need.moments(push)[:, :4]
        on_hands = (task["base"] + load)[:, None]
        got = task["fixed"] + task["each"] * on_hands + push * task["lever"]
        reached = lift.reachable
        np.testing.assert_allclose(got[reached], wanted[reached], atol=1e-9)
        np.testing.assert_allclose(
            (task["vertical"] * on_hands[:, 0])[reached], need.hand_force()[reached], rtol=1e-9
        )
        across = task["across"] + task["across_each"] * on_hands + push * task["outward"]
        np.testing.assert_allclose(across[reached], need.joint_force(push)[reached], atol=1e-8)


def test_drawn_paths_keep_within_a_line_of_the_model(made):
    """Every point of the model's path lies within 3 mm of the path that is drawn."""
    _, limbs, _, tables = made
    first = np.cumsum([0, *tables.path_sizes])
    shown = [k for k, g in enumerate(tables.geometry_of) if g not in tables.geometry_of[:k]]
    for geometry, number in enumerate(shown):
        press = tables.presses[number]
        found = path_points(limbs.skeleton.take(press.person), press.lift.posture)
        for k, head in enumerate(limbs.head_names):
            drawn = tables.geometry["paths"][geometry, :, first[k] : first[k + 1]]
            start, span = drawn[:, :-1], np.diff(drawn, axis=1)
            middle = found[head][len(found[head]) // 2]
            rest = middle[:, :, None] - start[:, None]
            square = np.maximum(np.einsum("fsk,fsk->fs", span, span), 1e-12)
            share = np.clip(np.einsum("fpsk,fsk->fps", rest, span) / square[:, None], 0, 1)
            miss = np.linalg.norm(rest - share[..., None] * span[:, None], axis=-1).min(axis=-1)
            assert miss.max() < 3e-3, head


def test_arrays_come_back_in_the_page_as_they_were_stored(made, tmp_path):
    _, _, _, tables = made
    arrays = {name: tables.geometry[name][:3] for name in ("arms", "paths", "fibre")}
    index, data = pack(arrays)
    script = """
    import { inflate, unpack } from "./payload.js";
    const { index, data } = given();
    const tables = unpack(index, await inflate(data));
    answer(Object.fromEntries(Object.entries(tables).map(([k, t]) => [k, [...t.values]])));
    """
    got = run_modules(tmp_path, script, {"index": index, "data": data})
    for name, values in arrays.items():
        np.testing.assert_allclose(
            got[name], np.nan_to_num(stored(name, values)).ravel(), rtol=0, atol=1e-12
        )
        assert np.nanmax(np.abs(stored(name, values) - values)) < 1.1e-4
    assert len(zlib.decompress(b64decode(data))) == sum(
        (2 if item["step"] else 4) * np.prod(item["shape"]) for item in index
    )


def test_what_does_not_fit_into_16_bits_is_refused():
    with pytest.raises(InputError, match="16 bits"):
        pack({"paths": np.full((1, 2, 1, 3), 7.0)})
