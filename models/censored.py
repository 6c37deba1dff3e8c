"""Normal regression where some responses are only known to be at least so high.

Duty at its ceiling says "at least this much"; read as a plain value it would hide the very cars that need help.
"""

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from models.distributions import normal_log_density, normal_log_tail
from models.working_response import working_response

Array = NDArray[np.float64]


class CensoredRegression(RegressorMixin, BaseEstimator):
    """Linear regression with normal errors and right-censored responses, by maximum likelihood.

    Parameters
    ----------
    max_iter : int >= 1, rounds of Newton's method. tol : float > 0, relative change of the log-likelihood to stop at.

    Attributes
    ----------
    coef_ : (n_features,)  intercept_ : float  sigma_ : float, of the errors
    log_likelihood_ : float  n_iter_ : int  n_features_in_ : int

    See Also
    --------
    working_response : what the fleet's expectation uses for its saturated cells, with variances of its own.

    References
    ----------
    Tobin 1958, Econometrica 26:24. Amemiya 1973, Econometrica 41:997.

    Examples
    --------
    >>> X = np.arange(8.0)[:, None]
    >>> y = np.minimum(2 * X[:, 0] + np.tile([0.1, -0.1], 4), 9.0)
    >>> model = CensoredRegression().fit(X, y, censored=y >= 9.0)
    >>> float(model.coef_[0].round(1))  # plain least squares says 1.5
    2.0
    """

    def __init__(self, *, max_iter: int = 500, tol: float = 1e-12) -> None:
        self.max_iter = max_iter
        self.tol = tol

    def fit(self, X: ArrayLike, y: ArrayLike, censored: ArrayLike | None = None) -> Self:
        """X: (n, p). y: (n,), the bound where censored. censored: (n,) true where the response is at least y."""
        checked: tuple[Array, Array] = validate_data(self, X, y, y_numeric=True, dtype=np.float64, ensure_min_samples=2)
        X, y = checked
        over = np.zeros(len(y), bool) if censored is None else np.asarray(censored, dtype=bool)
        design = np.column_stack([np.ones(len(y)), X])
        beta = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=np.float64)
        sigma = max(float(np.std(y - design @ beta)), 1e-12)
        last = np.nan
        for number in range(self.max_iter):
            beta, sigma = _step(design, y, over, beta, sigma)
            self.n_iter_ = number + 1
            self.log_likelihood_ = _log_likelihood(y, design @ beta, sigma, over)
            if abs(self.log_likelihood_ - last) <= self.tol * abs(last):
                break
            last = self.log_likelihood_
        self.intercept_, self.coef_, self.sigma_ = float(beta[0]), beta[1:], sigma
        return self

    def predict(self, X: ArrayLike) -> Array:
        """Mean of the uncensored response. (n,)"""
        check_is_fitted(self)
        checked: Array = validate_data(self, X, reset=False, dtype=np.float64)
        return np.asarray(checked @ self.coef_ + self.intercept_)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.regressor_tags.poor_score = False
        return tags


def _step(design: Array, y: Array, over: NDArray[np.bool_], beta: Array, sigma: float) -> tuple[Array, float]:
    """One Newton step for the coefficients at this sigma, one of expectation-maximisation for sigma."""
    mean = design @ beta
    value, precision = y.copy(), np.full(len(y), sigma**-2.0)
    if over.any():
        value[over], precision[over] = working_response(mean[over], np.full(over.sum(), sigma), y[over])
    root = np.sqrt(precision)
    beta = np.linalg.lstsq(design * root[:, None], value * root, rcond=None)[0]
    mean = design @ beta
    squares = (y - mean) ** 2
    if over.any():  # second moment of the part of the normal beyond the bound
        a = (y[over] - mean[over]) / sigma
        squares[over] = sigma**2 * (1 + a * np.exp(normal_log_density(a) - normal_log_tail(a)))
    return beta, max(float(np.sqrt(squares.mean())), 1e-12)


def _log_likelihood(y: Array, mean: Array, sigma: float, over: NDArray[np.bool_]) -> float:
    plain = (normal_log_density((y[~over] - mean[~over]) / sigma) - np.log(sigma)).sum()
    return float(plain + normal_log_tail((y[over] - mean[over]) / sigma).sum())
