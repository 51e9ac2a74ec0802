"""reedlab: from an oboe reed maker's bench records to cane decisions with honest intervals.

    >>> import reedlab as rl
    >>> bench = rl.demo_bench()
    >>> rl.losses(bench).worst
    'finish'

Records
    open_bench          open a folder or workbook of records; nothing in it is changed
    adopt               make a bench of a sheet that you keep already; it is only read
    new_bench           write an empty bench to fill in
    demo_bench          open the made-up bench that reedlab ships
    simulate_bench      make up a bench whose truth is known
    Bench               records, opened: findings, cane, reeds, losses, settings
    Settings            what counts as success, costs, currency, words of one's own

Questions, asked as ``rl.question(bench, level=..., seed=...)`` and answered by an `Answer`
    suppliers           which supplier to buy from next
    rank_suppliers      the table of `suppliers` alone
    price               what a saleable reed costs, what to ask for it, what an hour earns
    passing_over        which pieces to pass over before tying
    giving_up           which blanks to give up after the rough scrape
    losses              where reeds and pieces are lost
    seasons             what goes with moisture and with the time of year
    air                 how moist the workshop made the cane, month by month
    gouger              whether the gouger drifts
    uneven_lots         which lots come out uneven
    gauge               how far a gauge repeats itself
    gauge_agreement     how far two hands or two gauges agree
    unmeasured          what pieces that were not measured do to an answer
    makers              where each maker's reeds are lost, and what to practise next
    pupil               one maker's reeds: where they went wrong, what to practise
    today               what there is to do today
    order               how many blanks to tie of which lot by when, for the open orders
    trial               what a setting does: trial.plan writes the sheets, trial.read reads them

Answers
    Answer              verdict, claims, sentence, table, tables, notes, level, record_next
    Verdict             SURE, LIKELY, CANNOT_SAY or DESCRIBES

Pictures
    figure              draw an answer: its Axes, with alternative text
    pupil_page          a page to hand to a pupil, of the answer of `pupil`
    show                display anything in a notebook; of an answer sentence, picture, table, notes

Models
    fit                 fit a linear, binomial or ordinal mixed model
    fit_reeds           fit success or minutes of reeds on what their records can carry
    fit_corrected       the same, slopes corrected for attenuation by measurement error
    fit_filled          the same, all rows kept: measurements that some lack are filled in
    compare             two models of the same rows: likelihood ratio, AIC, held-out lots
    Fit                 a fitted model: estimates, intervals, tests, predictions
    Posterior           draws of a model's parameters, with their diagnostics
    Priors              what is known of a model before its data

Errors, each a `ReedlabError` with one sentence
    ReedlabError        the family's root
    RecordError         records that cannot be read
    SettingsError       a bench.toml that cannot be understood
    WriteError          a file that cannot or must not be written
    FormulaError        a model formula that cannot be read
    DataError           data that a model cannot use
    ModelError          a model that the data cannot determine
    PredictionError     new data that a model cannot predict for
    DecisionError       a question that cannot be asked like this
    PosteriorWarning    a posterior that fails one of its own checks
    SeparationWarning   a fit without a finite estimate: a column predicts every outcome
    ConvergenceWarning  a fit, or some of a bootstrap's refits, that did not converge
    FontWarning         a letter of a name that no installed font has

Each name is imported when it is first used, so that ``import reedlab`` costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "open_bench": "records",
    "adopt": "records.adopt.adopting",
    "new_bench": "records",
    "demo_bench": "simulate.demo",
    "simulate_bench": "simulate",
    "Bench": "records",
    "Settings": "records",
    "suppliers": "decide.suppliers.comparison",
    "rank_suppliers": "decide.suppliers.comparison",
    "price": "decide.price",
    "passing_over": "decide.stopping.before_tying",
    "giving_up": "decide.stopping.after_roughing",
    "losses": "decide.losses_by_stage",
    "seasons": "decide.conditions.season_effects",
    "air": "decide.conditions.workshop_air",
    "gouger": "decide.conditions.gouging",
    "uneven_lots": "decide.conditions.gouging",
    "gauge": "decide.gauge.repeatability",
    "gauge_agreement": "decide.gauge.hands",
    "unmeasured": "decide.conditions.measured_or_not",
    "makers": "decide.makers",
    "pupil": "decide.pupil",
    "today": "decide.today",
    "order": "decide.orders.planning",
    "trial": "decide.trial",
    "Answer": "decide.answer",
    "Verdict": "decide.answer",
    "figure": "report.figures.of_answers",
    "pupil_page": "report.bench_sheets.pupil_page",
    "show": "report.display",
    "fit": "mixed",
    "fit_reeds": "decide.shared_models.models",
    "fit_corrected": "mixed.gaps.measurement_error",
    "fit_filled": "mixed.gaps.missing",
    "compare": "mixed",
    "Fit": "mixed",
    "Posterior": "mixed.posterior.nested_laplace",
    "Priors": "mixed.posterior.priors",
    "ReedlabError": "errors",
    "RecordError": "errors",
    "SettingsError": "errors",
    "WriteError": "errors",
    "FormulaError": "errors",
    "DataError": "errors",
    "ModelError": "errors",
    "PredictionError": "errors",
    "DecisionError": "errors",
    "PosteriorWarning": "errors",
    "SeparationWarning": "errors",
    "ConvergenceWarning": "errors",
    "FontWarning": "errors",
}
"""The module that defines each public name; `trial` is a module itself."""

__all__ = [*_HOMES]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Import a public name from the module that defines it, the first time it is asked for."""
    if name not in _HOMES:
        raise AttributeError(_missing(name))
    value = importlib.import_module(f"reedlab.{_HOMES[name]}")
    if name != "trial":
        value = getattr(value, name)
    globals()[name] = value
    return value


def _missing(name: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, _HOMES, n=1)
    hint = f"did you mean {close[0]!r}?" if close else "help(reedlab) lists what there is."
    return f"reedlab has no {name!r}: {hint}"


def __dir__() -> list[str]:
    # pydoc would load every name and print each class in full below this module's docstring.
    return [] if _asked_by_pydoc() else sorted(_HOMES)


def _asked_by_pydoc() -> bool:
    from traceback import walk_stack

    specs = (frame.f_globals.get("__spec__") for frame, _ in walk_stack(None))
    return any(spec is not None and spec.name == "pydoc" for spec in specs)
