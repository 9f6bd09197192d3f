/* Which firmware is this?  Told in every HELLO, and beside the image in release/. */
#ifndef VERSION_H
#define VERSION_H

#define VERSION_MAJOR 1u
#define VERSION_MINOR 1u
#define VERSION_PATCH 0u

#endif
