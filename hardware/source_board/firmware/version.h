#ifndef VERSION_H
#define VERSION_H

#define VERSION_MAJOR 1
#define VERSION_MINOR 0
#define VERSION_PATCH 0

#ifndef BUILD_HASH /* the Makefile passes the first four bytes of a hash of the sources */
#error "build with make"
#endif

#endif
