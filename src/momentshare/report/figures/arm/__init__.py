"""The arm, the force of the hand and the heads, drawn to scale."""
