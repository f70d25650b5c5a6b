"""Corrected files: written beside, read back, played against the original, and only then put in place."""

from audit.correction.corrected import LIMIT, Corrected
from audit.correction.document import PROOF, read_proof
from audit.correction.writing import CorrectedFile, correct_file, write

__all__ = ["LIMIT", "PROOF", "Corrected", "CorrectedFile", "correct_file", "read_proof", "write"]
