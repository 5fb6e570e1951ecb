"""The picture that shows whether a calibration fits: the rod's mean profile beside the model's."""

from __future__ import annotations

import io

import numpy as np

from ongrowth.halo import CalibrationFit
from ongrowth.reports.drawing import STYLE
from ongrowth.wording import fixed_words


def render_calibration(fit: CalibrationFit) -> str:
    """Return the picture of a calibration as SVG text.

    Parameters
    ----------
    fit : CalibrationFit
        The calibration with the profiles it was fitted to.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    blur = fit.calibration.blur
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(5.2, 4.2), layout="constrained")
        profile, misfit = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        profile.plot(fit.radius_mm, fit.model_hu, color="0.35", label="blurred rod, fitted")
        profile.plot(fit.radius_mm, fit.measured_hu, "o", color="black", ms=3, label="scan")
        profile.set_ylabel("HU")
        profile.legend(frameon=False)
        profile.set_title(
            f"In-plane blur {blur.in_plane_fwhm_mm:.2f} mm, slice profile {blur.slice_fwhm_mm:.2f} mm "
            f"(width at half height)",
            loc="left",
        )
        misfit.axhline(0.0, color="0.7", lw=0.6)
        misfit.plot(fit.radius_mm, fit.measured_hu - fit.model_hu, "o-", color="black", ms=2.5, lw=0.6)
        misfit.set_ylim(
            *np.array([-1.1, 1.1]) * max(50.0, float(np.abs(fit.measured_hu - fit.model_hu).max()))
        )
        misfit.set_ylabel("scan minus fit, HU")
        misfit.set_xlabel("distance from the axis of the rod, mm")
        figure.supxlabel(fixed_words().cautions[0], fontsize=5.5, color="0.3")
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
