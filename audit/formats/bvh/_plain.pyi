import numpy as np
import numpy.typing as npt

def plain_numbers(
    text: bytes,
    start: int,
    end: int,
    values: npt.NDArray[np.float64],
    line_ends: npt.NDArray[np.int64],
    /,
) -> tuple[int, int] | None: ...
