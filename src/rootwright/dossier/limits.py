"""What a dossier does not cover, and what to be careful about: said in every one, the same for all products."""

from __future__ import annotations

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Locking is often irreversible",
        "Write protection that holds for ever, debug locks and one-time words cannot be taken back. Try them on parts "
        "that you can lose, check the keys and the update path first, and lock last.",
    ),
    (
        "Updates stop machines",
        "A device stands still while it installs, and may stand still for good if an installation goes wrong. Where "
        "people depend on it, plan for that: when updates may start, who is told, and how somebody gets to the device.",
    ),
    (
        "Fault testing belongs on your own equipment",
        "Cutting power, provoking faults and offering hostile updates is for equipment that you own or are asked to "
        "test, away from anything that people rely on.",
    ),
    (
        "Other rules come first",
        "Local codes and regulations, the product's safety standard and licensed practice go before anything that "
        "stands here. This dossier supports the judgement of those who answer for the product; it does not replace it.",
    ),
)
"""Title and text of each caution."""

NOT_COVERED: tuple[str, ...] = (
    "The boot stage's own code. The verdicts under power cuts are about the procedure's model; no instruction of the "
    "product was run. A mistake in the code that the model does not have is not seen.",
    "The product's own update client. The trials were run against our own consumer, which has the product's map and "
    "trust anchors of the trials. They show that release and map can be defended, not that the product defends them.",
    "Physical attacks on the running chip: glitches of supply or clock, probing, reading out through side channels, "
    "opening the package. The review rates what they take, by guesses; none of them was tried.",
    "Whether units are locked as planned. The lock-down says what to set and what to try; nobody looked at a unit.",
    "Cryptography itself, the quality of random numbers, and the time that a signature check takes on the part.",
    "The link, the firmware server and the status tracker: who may start an update, and whether one arrives.",
    "What the application does once it runs, and whether its good report means anything.",
    "Provisioning: how keys, records and locks get into each device, and whether each one has them.",
    "Confidentiality of firmware: payloads travel in the clear unless the release says otherwise.",
    "Figures are the part file's. Where it carries typical figures, the data sheet of the part decides.",
)
"""One sentence or two each."""
