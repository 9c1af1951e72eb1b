"""Every computation of Wingfettle, in pure Python on numpy.

Data flows one way: scan -> sections -> elements -> assembly -> clearance / lift -> report.
SI units (m, rad, N, Pa, m/s). Vehicle axes after ISO 8855: x forward, y left, z up;
z = 0 is the road, y = 0 the centre plane.
"""
