"""Two moments shared among three heads."""

import numpy as np

from momentshare import share

moment_arms = np.array([[0.022, 0.022, 0.000], [-0.020, 0.000, 0.035]])  # rows × heads [m]
capacity = np.array([800.0, 1000.0, 1200.0])  # greatest active force at this length [N]
moments = np.array([20.0, 30.0])  # net moments [N·m]

answer = share(moment_arms, capacity, moments)
print("force [N]:", answer.force.round(1))
print("activation:", answer.activation.round(3))
print("supplied [N·m]:", (moment_arms @ answer.force).round(6))
residual = float(answer.certificate.moment_residual)
print("status:", answer.status_text, f"largest residual: {residual:.1e} N·m")
