"""From a recording to the motion of trunk and arm, and to lifts."""
