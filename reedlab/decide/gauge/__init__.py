"""A gauge study: can it tell these pieces apart, and how many readings of one are enough.

A study is a handful of pieces measured two or three times each, by one hand or by several, in an
order that nobody remembers. ``study`` takes what readings differ by apart, ``agreement`` lays two
hands or two gauges side by side.
"""

from __future__ import annotations

from reedlab.decide.gauge.agreement import GaugeAgreement, gauge_agreement
from reedlab.decide.gauge.repeatability import GaugeStudy, gauge_study

__all__ = ["GaugeAgreement", "GaugeStudy", "gauge_agreement", "gauge_study"]
