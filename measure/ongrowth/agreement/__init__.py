"""How well readings agree: with themselves, with other readers, with the truth."""

from ongrowth.agreement.category import Kappa, agreement_weights, cross_table, weighted_kappa
from ongrowth.agreement.correlation import (
    Intraclass,
    IntraclassForm,
    MeanSquares,
    concordance,
    intraclass_correlation,
    mean_squares,
)
from ongrowth.agreement.difference import LimitsOfAgreement, limits_of_agreement, limits_with_replicates
from ongrowth.agreement.linearity import Linearity, linearity_and_bias
from ongrowth.agreement.picture import difference_picture
from ongrowth.agreement.repeatability import (
    MULTIPLE_95,
    REPEATABILITY_FACTOR,
    DoubleExamination,
    Repeatability,
    double_examination,
    measure_repeatability,
    paired_differences,
    spread_factors,
    upper_spread_factor,
)
from ongrowth.agreement.table import Layout, Statistic, compare, melt, printed_name, render_text, unit_of

__all__ = [
    "MULTIPLE_95",
    "REPEATABILITY_FACTOR",
    "DoubleExamination",
    "Intraclass",
    "IntraclassForm",
    "Kappa",
    "Layout",
    "LimitsOfAgreement",
    "Linearity",
    "MeanSquares",
    "Repeatability",
    "Statistic",
    "agreement_weights",
    "compare",
    "concordance",
    "cross_table",
    "difference_picture",
    "double_examination",
    "intraclass_correlation",
    "limits_of_agreement",
    "limits_with_replicates",
    "linearity_and_bias",
    "mean_squares",
    "measure_repeatability",
    "melt",
    "paired_differences",
    "printed_name",
    "render_text",
    "spread_factors",
    "unit_of",
    "upper_spread_factor",
    "weighted_kappa",
]
