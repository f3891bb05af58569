"""How strongly each material weakens the beam."""

from __future__ import annotations

from typing import NamedTuple

#: Energies [keV] and their shares of the open beam's signal: two stand for a filtered spectrum of 75 kV,
#: so that thick parts harden the beam (common practice, no source).
ENERGIES_KEV = (40, 60)
ENERGY_SHARE = (0.45, 0.55)


class Material(NamedTuple):
    """Mass attenuation [cm²/g] at each of `ENERGIES_KEV`, and density [g/cm³]."""

    mass_attenuation_cm2_g: tuple[float, float]
    density_g_cm3: float

    def per_mm(self, energy: int) -> float:
        """Linear attenuation [1/mm] at the energy numbered `energy`."""
        return self.mass_attenuation_cm2_g[energy] * self.density_g_cm3 / 10


#: Mass attenuation at 40 and 60 keV: X-ray library xraylib 4.3.0 (Schoonjans T et al. Spectrochim Acta B
#: 2011;66:776-84) for its compounds "Water, Liquid", "Tissue, Soft (ICRP)", "Adipose Tissue (ICRP)", "Bone,
#: Cortical (ICRP)", C2H4, Al2O3, and the elements cobalt and titanium, which stand for their alloys.
#: Densities: common practice, no source.
MATERIALS = {
    "water": Material((0.2683, 0.2059), 1.00),
    "soft tissue": Material((0.2618, 0.2030), 1.06),
    "fat": Material((0.2386, 0.1977), 0.92),
    "cortical bone": Material((0.6451, 0.3102), 1.85),
    "cobalt-chrome": Material((3.9799, 1.3140), 8.30),
    "titanium": Material((2.2126, 0.7660), 4.43),
    "polyethylene": Material((0.2275, 0.1970), 0.94),
    "ceramic": Material((0.4225, 0.2368), 3.95),
}
#: Mineral of spongiosa over cortex; its gaps are filled with marrow, counted as soft tissue.
SPONGIOSA_SHARE = 0.32
