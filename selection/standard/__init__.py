"""What is wanted: points from looks, weights at a common age.

`growth` puts weights at a common age (`curves`, `deviations` and `weighings` beneath it); `points` puts looks on
one level, adds them up and predicts what was not seen (`looks`, `judges`, `agreement`, `absorbed`, `seen`, `size`
and `unseen` beneath it); `sections` gives points by a band.
"""
