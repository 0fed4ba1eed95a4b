"""The car: parameters, tyres, loads, driveline, motion; plain formulas for arrays and symbols alike."""
