/* Three functions that compilers may call without being asked; they cost nothing unless one is called. */
#include <stddef.h>

void *memset(void *to, int value, size_t count);
void *memcpy(void *restrict to, const void *restrict from, size_t count);
void *memmove(void *to, const void *from, size_t count);

void *memset(void *to, int value, size_t count)
{
    unsigned char *byte = to;
    while (count-- > 0u) {
        *byte++ = (unsigned char)value;
    }
    return to;
}

void *memcpy(void *restrict to, const void *restrict from, size_t count)
{
    unsigned char *byte = to;
    const unsigned char *source = from;
    while (count-- > 0u) {
        *byte++ = *source++;
    }
    return to;
}

void *memmove(void *to, const void *from, size_t count)
{
    unsigned char *byte = to;
    const unsigned char *source = from;
    if (byte < source) {
        while (count-- > 0u) {
            *byte++ = *source++;
        }
    } else {
        while (count-- > 0u) {
            byte[count] = source[count];
        }
    }
    return to;
}
