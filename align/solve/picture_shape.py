"""Was the picture stretched or slanted after it was taken? What the corners of a fit without such a change say.

Sources: C. R. Rao, Large sample tests of statistical hypotheses, Proc. Cambridge Phil. Soc. 44 (1948) (score
test); H. White, Maximum likelihood estimation of misspecified models, Econometrica 50 (1982) (the same with errors
that are not independent); from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..optics.camera_model import RESHAPE_SD_BLIND
from .correlated_errors import BoardErrors
from .forward_model import State
from .problem import Problem


def score_of_reshape(
    problem: Problem, state: State, boards: Sequence[BoardErrors], alike: float, variance: float
) -> float:
    """How much better the corners would fit a stretched and sheared picture; 0 where that was allowed for.

    The score test (Lagrange multipliers), all other parameters adapted. What these leave of the two columns, and of
    the residuals, is found by orthogonal columns: the normal equations' condition is 1e10, and of a descent that
    stopped a thousandth of a standard deviation beside its minimum their difference made thousands.

    Parameters
    ----------
    state : the fit's minimum; boards : its whitened corners; alike, variance : spatial correlation of their errors
    and the variance, over what residuals show, that goes with it.
    """
    where, free = problem.layout.reshape, problem.prior.free
    if free[where].any():
        return 0.0
    stated, by_state = problem.stated(state)
    known = problem.prior.root
    residual = np.concatenate(
        [*(board.residuals.ravel() for board in boards), stated, known @ (state.vector - problem.prior.mean)]
    )
    corners = [board.jacobian.reshape(-1, problem.layout.size) for board in boards]
    columns = np.concatenate([*corners, by_state, known])
    others = columns[:, free]
    orthogonal = np.linalg.qr(others / np.linalg.norm(others, axis=0))[0]
    left = columns[:, where]
    for _ in range(2):  # the second time to the last digits
        left = left - orthogonal @ (orthogonal.T @ left)
    slope, spread = left.T @ residual, left.T @ left
    row = 0
    for board in boards if alike > 0 else ():
        own = left[row : row + board.residuals.size].reshape(-1, 2, 2)
        row += board.residuals.size
        shared = variance * alike**board.steps - np.eye(len(board.places))
        spread = spread + BoardErrors(board.places, board.residuals, own).spread(shared)
    # A stretch beyond what people do is no better explanation than none.
    return float(slope @ np.linalg.solve(spread + np.eye(2) / RESHAPE_SD_BLIND**2, slope))
