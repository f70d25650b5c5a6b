import numpy as np
import numpy.typing as npt

def straight_line_keys(
    curves: npt.NDArray[np.float64],
    times: npt.NDArray[np.float64],
    limit: float,
    margin: float,
    kept: npt.NDArray[np.bool_],
    /,
) -> None: ...
