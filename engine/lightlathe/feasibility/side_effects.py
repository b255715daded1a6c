"""Side effects of an exposure: the cured part sinks, and curing releases heat."""

GRAVITY_M_S2 = 9.81
HEAT_CAPACITY_J_M3_K = 1.87e6  # of acrylate resins, density times specific heat (from memory)
HEAT_OF_DOUBLE_BONDS_J_MOL = 80e3  # acrylates; 54 to 79 kJ/mol measured: McCurdy & Laidler, Can. J. Chem. 42 (1964) 818
DIFFUSIVITY_M2_S = 1e-7  # of heat in resin (from memory)


def sinking_mm_s(radius_mm: float, density_rise_kg_m3: float, viscosity_pa_s: float) -> float:
    """Speed of a sphere that is denser than the resin by `density_rise_kg_m3`: Stokes' law, 2 drho g a^2 / (9 eta)."""
    a = radius_mm * 1e-3
    return 2 * density_rise_kg_m3 * GRAVITY_M_S2 * a * a / (9 * viscosity_pa_s) * 1e3


def curing_heat_k(double_bonds_mol_m3: float, conversion: float) -> float:
    """Temperature rise where no heat escapes: heat of polymerisation over heat capacity."""
    return HEAT_OF_DOUBLE_BONDS_J_MOL * double_bonds_mol_m3 * conversion / HEAT_CAPACITY_J_M3_K


def light_heat_k(dose_mj_cm3: float) -> float:
    """Temperature rise by the absorbed light alone; 1 mJ/cm3 is 1000 J/m3."""
    return 1e3 * dose_mj_cm3 / HEAT_CAPACITY_J_M3_K


def cooling_s(radius_mm: float) -> float:
    """Time constant of the slowest mode of a long cylinder that cools at its wall: R^2 / (5.783 a), j01^2 = 5.783."""
    return (radius_mm * 1e-3) ** 2 / (5.783 * DIFFUSIVITY_M2_S)
