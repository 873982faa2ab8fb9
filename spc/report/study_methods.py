"""The methods behind a study and their published sources; said as computed after them, never as conforming."""

__all__ = ["METHODS", "decision_rule"]

METHODS: tuple[str, ...] = (
    "Index: computed after the published quantile method of ISO 22514-2, (limit - median) / (99.865% point - median), "
    "one-sided because flatness and roughness end at zero by nature. The formula is quoted from memory; no conformity "
    "with the standard is claimed.",
    "Law: six laws fitted to the readings as intervals by maximum likelihood (Lawless 2003, Statistical Models and "
    "Methods for Lifetime Data, chapter 2), chosen by corrected information criterion (Hurvich and Tsai 1989, "
    "Biometrika 76; Burnham and Anderson 2002).",
    "Fit: Anderson-Darling distance of the pooled probability curve (Czado, Gneiting and Held 2009, Biometrics 65), "
    "verdict by parametric bootstrap (Stute, Gonzalez Manteiga and Presedo Quindimil 1993, Metrika 40).",
    "Bounds of index and share: likelihood, calibrated by parametric bootstrap. Counted share: Clopper and Pearson "
    "(1934), Biometrika 26.",
    "Trend with age: rank correlation (Kendall 1938, Biometrika 30). Differences between cycles: Kruskal and Wallis "
    "(1952), Journal of the American Statistical Association 47. The idea of time-dependent models: ISO 22514-2 (from "
    "memory).",
    "Over whole cycles: the laws of four classes of age, mixed as faces were made; bounds by leaving out a cycle at a "
    "time (Tukey 1958, Annals of Mathematical Statistics 29), made 1.6 times as wide, a figure of our own with which "
    "they held what they say in simulated cells.",
    "Spread within and between cycles: restricted maximum likelihood, profile intervals (Patterson and Thompson 1971, "
    "Biometrika 58).",
    "Measuring system: components by restricted maximum likelihood and, of a balanced table, by analysis of variance; "
    "readings in steps by their interval likelihood. Uncertainty combined after JCGM 100:2008, 5.1.2; bounds of 5, 15 "
    "and 30% quoted from ISO 22514-7 (from memory) as an analogue: by its scope it is not meant for form.",
    "Acceptance: conformance probability and risks after JCGM 106:2012, clauses 6 to 9, for readings in steps, the law "
    "of the readings as the process; guarded limit at 95% after ISO 14253-1 (from memory).",
    "Sources of variation: restricted maximum likelihood with profile intervals on the middles of the readings; sizes "
    "of spread, never a ranking of people.",
    "Refusals: rules of this software (30 faces, 3 cycles, reading step at most 10% of the limit, every signal "
    "answered, a gauge study at hand); ISO 22514-3 asks for as many faces (from its scope).",
)


def decision_rule(level: float) -> str:
    """Say by which rule a verdict is reached from this report."""
    return (
        "Decision rule: the word capability is used only where no refusal stands; where one does, the same figure is "
        "called performance, a plain description of the faces made, or is not given at all. A required index is met "
        f"where the lower bound at {100 * level:g}% confidence reaches it, not where the figure itself does. "
        "Single faces are ruled on apart, by the rule that stands with them."
    )
