"""What the words on the screens mean, in one or two plain sentences each."""

__all__ = ["GLOSSARY"]

GLOSSARY: dict[str, str] = {
    "band": "One dark fringe to the next under an optical flat: half a wavelength of gap.",
    "baseline": "The readings that limits were worked out from: a closed list that nothing joins later.",
    "capability index": "How much room the limit leaves above the process. Shown with its interval, or refused.",
    "charge": "Abrasive pressed into the face of the lap. A recharge tops it up within a cycle.",
    "cutting": "The lap wears as usual and has faces left.",
    "cycle": "From one reconditioning of a lap to the next.",
    "cycle picture": "Readings by faces since reconditioning: this cycle bold, past cycles faint, limit and forecast.",
    "drifting average": "A running average in which older faces count less and less; it sees slow drift early.",
    "due": "Recondition before the faces left run out.",
    "faces left": "How many more faces until the limit, as a range that holds the truth nine times in ten.",
    "false call": "A signal with nothing behind it. Every chart says how often it gives one.",
    "flatness": "Distance of the two parallel planes that just hold the face.",
    "glazed": "Grains worn or clogged: the lap shines, cuts slowly, and the finish looks better for a while.",
    "held": "Nothing more goes on the lap until a person has answered.",
    "interval": "What a reading can mean: 1 band in half-band steps is anything from 0.75 to 1.25 bands.",
    "lap": "The flat tool, softer than the work, that carries the abrasive.",
    "limit": "What the drawing allows. Each change of it is kept as a revision with who and why.",
    "quarantine": "Rows of a log that could not be understood. Each waits with its reason until a person settles it.",
    "re-lap": "The same face lapped again because it had not passed.",
    "recondition": "Restore the shape and cut of a lap. It starts a new cycle.",
    "refusal": "The readings do not carry the answer that was asked for. The reason and the cure are given.",
    "repeat reading": "The same face read again. It tells about the reading, not about the lap.",
    "resting": "The lap is not in use.",
    "signal": "Something a chart would rarely say if nothing had changed.",
    "watch": "Something changed, or there is too little to say: look before the next lot.",
}
