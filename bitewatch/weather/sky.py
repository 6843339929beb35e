"""placeholder"""
import numpy as np
def sky_shortwave_wm2(elevation_deg, cloud_pct):
    raise NotImplementedError
