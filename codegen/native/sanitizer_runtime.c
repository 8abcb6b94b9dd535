/* Handlers of the undefined-behaviour checks that gcc and clang put into a checked build.
 *
 * The compilers' own run-time libraries print to stderr and are missing on small installations. These handlers
 * count instead and keep the first places, so that a test can ask afterwards and the process lives (but for a
 * division by zero, which the processor itself stops). Names and data layouts are the compilers' published binary
 * interface (LLVM compiler-rt, lib/ubsan/ubsan_handlers.h): every data record begins with the source place.
 *
 * Everything but the functions at the end is hidden: two checked libraries in one process keep separate counts.
 */
#include <stdint.h>
#include <string.h>

#define HIDDEN __attribute__((visibility("hidden")))
#define EXPORTED __attribute__((visibility("default")))

enum { PLACES_KEPT = 32 };

typedef struct {
    const char *file;
    uint32_t line;
    uint32_t column;
} source_place;

typedef struct {
    const char *kind;
    source_place place;
    uint64_t count;
} report;

static report reports[PLACES_KEPT];
static int report_count;
static uint64_t total_count;

static void note(const source_place *place, const char *kind)
{
    total_count++;
    for (int i = 0; i < report_count; i++) {
        report *known = &reports[i];
        if (known->place.line == place->line && known->place.column == place->column
            && strcmp(known->kind, kind) == 0 && strcmp(known->place.file, place->file) == 0) {
            known->count++;
            return;
        }
    }
    if (report_count < PLACES_KEPT) {
        reports[report_count].kind = kind;
        reports[report_count].place = *place;
        reports[report_count].count = 1;
        report_count++;
    }
}

/* The checks pass one, two or three words; the later ones (operands, addresses) are not needed here. */
#define HANDLER(name, kind)                                                        \
    HIDDEN void __ubsan_handle_##name(const source_place *place);                  \
    HIDDEN void __ubsan_handle_##name(const source_place *place) { note(place, kind); } \
    HIDDEN void __ubsan_handle_##name##_abort(const source_place *place);          \
    HIDDEN void __ubsan_handle_##name##_abort(const source_place *place) { note(place, kind); }

HANDLER(add_overflow, "signed addition overflow")
HANDLER(sub_overflow, "signed subtraction overflow")
HANDLER(mul_overflow, "signed multiplication overflow")
HANDLER(negate_overflow, "signed negation overflow")
HANDLER(divrem_overflow, "division by zero or division overflow")
HANDLER(shift_out_of_bounds, "shift out of bounds")
HANDLER(out_of_bounds, "array index out of bounds")
HANDLER(vla_bound_not_positive, "array length not positive")
HANDLER(float_cast_overflow, "value does not fit the integer type")
HANDLER(load_invalid_value, "invalid value of a bool or an enumeration")
HANDLER(implicit_conversion, "implicit conversion changes the value")
HANDLER(invalid_builtin, "invalid argument of a compiler builtin")
HANDLER(function_type_mismatch, "call through a pointer of another function type")
HANDLER(nonnull_arg, "null passed where it is forbidden")
HANDLER(nullability_arg, "null passed where it is forbidden")
HANDLER(type_mismatch_v1, "null or misaligned access")
HANDLER(alignment_assumption, "broken alignment assumption")
HANDLER(pointer_overflow, "pointer overflow")

/* Here the place is the second word. */
#define RETURN_HANDLER(name)                                                              \
    HIDDEN void __ubsan_handle_##name(const void *data, const source_place *place);       \
    HIDDEN void __ubsan_handle_##name(const void *data, const source_place *place)        \
    { (void)data; note(place, "null returned where it is forbidden"); }                   \
    HIDDEN void __ubsan_handle_##name##_abort(const void *data, const source_place *place); \
    HIDDEN void __ubsan_handle_##name##_abort(const void *data, const source_place *place)  \
    { (void)data; note(place, "null returned where it is forbidden"); }

RETURN_HANDLER(nonnull_return_v1)
RETURN_HANDLER(nullability_return_v1)

/* No place is passed. */
HIDDEN void __ubsan_handle_local_out_of_bounds(void);
HIDDEN void __ubsan_handle_local_out_of_bounds(void)
{
    static const source_place unknown = {"(unknown)", 0, 0};
    note(&unknown, "array index out of bounds");
}
HIDDEN void __ubsan_handle_local_out_of_bounds_abort(void);
HIDDEN void __ubsan_handle_local_out_of_bounds_abort(void) { __ubsan_handle_local_out_of_bounds(); }

/* The compiler takes it that these two never return, so the process ends here. */
#define FINAL_HANDLER(name)                                            \
    HIDDEN void __ubsan_handle_##name(const source_place *place);      \
    HIDDEN void __ubsan_handle_##name(const source_place *place)       \
    { (void)place; __builtin_trap(); }

FINAL_HANDLER(builtin_unreachable)
FINAL_HANDLER(missing_return)

/* All reports since the last clearing, those beyond the kept places included. */
EXPORTED uint64_t loopwright_sanitizer_total(void);
EXPORTED uint64_t loopwright_sanitizer_total(void) { return total_count; }

/* The report of number `index`, in the order of first appearance; 0 past the last. */
EXPORTED int loopwright_sanitizer_report(int index, const char **kind, const char **file, uint32_t *line,
                                         uint32_t *column, uint64_t *count);
EXPORTED int loopwright_sanitizer_report(int index, const char **kind, const char **file, uint32_t *line,
                                         uint32_t *column, uint64_t *count)
{
    if (index < 0 || index >= report_count) {
        return 0;
    }
    *kind = reports[index].kind;
    *file = reports[index].place.file;
    *line = reports[index].place.line;
    *column = reports[index].place.column;
    *count = reports[index].count;
    return 1;
}

EXPORTED void loopwright_sanitizer_clear(void);
EXPORTED void loopwright_sanitizer_clear(void)
{
    report_count = 0;
    total_count = 0;
}
