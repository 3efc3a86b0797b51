/* What WP proves of base/sat.h: see sat_contracts.h. */
#include "sat_contracts.h"
#include "base/sat.h"
