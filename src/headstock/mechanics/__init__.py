"""Bone as a material: density to stiffness, strength and strain limits. The solver is not built yet.

Ash and apparent density are never mixed: every law says which one it takes.
"""

from headstock.mechanics.bone_law import (
    LAWS,
    MICROMOTION_SOURCE,
    STRAIN_LIMITS,
    BoneLaw,
    elastic_modulus_MPa,
    micromotion_class,
    ratio_percent,
    strength_MPa,
)

__all__ = [
    "LAWS",
    "MICROMOTION_SOURCE",
    "STRAIN_LIMITS",
    "BoneLaw",
    "elastic_modulus_MPa",
    "micromotion_class",
    "ratio_percent",
    "strength_MPa",
]
