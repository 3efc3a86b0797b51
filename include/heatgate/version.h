#ifndef HEATGATE_VERSION_H
#define HEATGATE_VERSION_H

/* The version of the program; CMakeLists.txt states the same. */
#define HG_VERSION "0.1.0"

/* The contract version carried as "v" in every message. */
#define HG_CONTRACT_V 1

#endif
