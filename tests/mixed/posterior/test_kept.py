"""Draws that processes share: the very same, for the very same question, and never code."""

import io
import pickle

import numpy as np
import pytest

import reedlab as rl
from reedlab.mixed.posterior import kept, nested_laplace
from reedlab.simulate import simulate_reeds


class Planted:
    """Leaves a mark when it is unpickled."""

    def __init__(self, mark):
        self.mark = mark

    def __reduce__(self):
        return open, (str(self.mark), "w")


@pytest.fixture(scope="module")
def fit():
    reeds, _ = simulate_reeds(seed=1, suppliers=3, lots=(3, 3), reeds=(20, 20))
    return rl.fit("success ~ season + (1 | supplier/lot)", reeds, family="binomial")


@pytest.fixture
def folder(tmp_path):
    with kept.shared_in(tmp_path / "posteriors"):
        yield tmp_path / "posteriors"


def ask(fit, **options):
    return fit.posterior(**{"seed": 3, "draws": 200} | options)


def entries(folder):
    return sorted(path.name for path in folder.iterdir())


def test_what_is_kept_is_what_was_drawn(fit, folder, monkeypatch):
    alone = ask(fit)
    explored = nested_laplace.explore
    monkeypatch.setattr(nested_laplace, "explore", None)  # nobody explores a second time
    again = ask(fit)
    assert again.draws().equals(alone.draws())
    assert again.levels_draws("supplier").equals(alone.levels_draws("supplier"))
    assert len(entries(folder)) == 1
    monkeypatch.setattr(nested_laplace, "explore", explored)  # but where more than draws is asked
    assert again.draws(300).equals(alone.draws(300))
    assert again.diagnostics().equals(alone.diagnostics())


def test_another_question_has_another_entry(fit, folder):
    ask(fit)
    ask(fit, seed=4)
    ask(fit, draws=201)
    ask(fit, priors=rl.Priors(sd_scale=0.5))
    ask(fit, priors=rl.Priors(by_group={"supplier": 0.5}))
    alone = nested_laplace.design_posterior(fit.fitted.design, "binomial", rl.Priors(), 3, 800)
    nested_laplace.design_posterior(fit.fitted.design, "binomial", rl.Priors(), 3, 800, near=alone)
    assert len(entries(folder)) == 7
    turned = fit.fitted.design.with_response(1.0 - fit.fitted.design.y)
    assert kept.entry(turned, 1) != kept.entry(fit.fitted.design, 1)


def test_nothing_is_kept_outside_a_run(fit, folder):
    ask(fit)
    with kept.shared_in(folder.parent / "inner"):
        pass
    ask(fit, seed=5)
    assert len(entries(folder)) == 2, "the outer folder is in use again"


def planted_zip(mark):
    file = io.BytesIO()
    np.savez(file, allow_pickle=True, points=np.array([Planted(mark)], dtype=object))
    return file.getvalue()


@pytest.mark.parametrize(
    "damage",
    [
        lambda whole, mark: b"",
        lambda whole, mark: whole[: len(whole) // 2],
        lambda whole, mark: whole[:-400] + bytes(400),
        lambda whole, mark: whole[:900] + b"\xff" * 64 + whole[964:],
        lambda whole, mark: pickle.dumps(Planted(mark)),
        lambda whole, mark: planted_zip(mark),
    ],
    ids=["empty", "cut", "no directory", "overwritten", "pickle", "pickle inside"],
)
def test_a_damaged_or_planted_entry_is_worked_out_again_and_runs_nothing(
    fit, folder, tmp_path, damage
):
    post, mark = ask(fit), tmp_path / "mark"
    (file,) = folder.iterdir()
    whole, shape = file.read_bytes(), (2, post.conditional.m, 200)
    assert kept.read(file, *shape) is not None
    file.write_bytes(damage(whole, mark))
    assert kept.read(file, *shape) is None
    assert ask(fit).draws().equals(post.draws())
    assert not mark.exists()
    assert file.read_bytes() == whole, "and is replaced"


def test_the_plant_is_one(tmp_path):
    pickle.loads(pickle.dumps(Planted(tmp_path / "mark")))
    assert (tmp_path / "mark").exists()


def test_a_folder_that_is_full_keeps_no_more(fit, folder, monkeypatch):
    monkeypatch.setattr(kept, "_MOST_BYTES", 1000)
    ask(fit)
    assert entries(folder) == []
