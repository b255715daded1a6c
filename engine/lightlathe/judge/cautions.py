"""Cautions that go with every check, summary and report."""

LIGHT = (
    "Light: this equipment can injure eyes and skin, by reflections too. Have the complete machine classified by a "
    "qualified person (lamps and LED projectors: IEC 62471 and 62471-5; lasers: IEC 60825-1). Enclose and interlock "
    "the beam, and wear eyewear made for its wavelength."
)
RESIN = (
    "Resin: uncured acrylate can make skin allergic for life. Follow the supplier's safety data sheet: gloves that "
    "suit this resin, eye protection, fresh air. Washing solvent is waste, not water."
)
HEAT = (
    "Heat: curing gives off heat, and a large or reactive volume can overheat, boil or burst a closed vial. Start "
    "small and never seal it rigidly."
)
ESTIMATES = (
    "Estimates: doses and times are computed, not measured. They are no safety assessment and no certificate for "
    "medical or load-bearing use. Local law, safety data sheets and qualified people come first."
)
CAUTIONS = (LIGHT, RESIN, HEAT, ESTIMATES)
