/* How far a line can be simplified before each of its points goes, as in steps_kept of raster/simplified.py. */

#include "kernels.h"
#include "../../tracks/compiled/segments.h"
#include <stdlib.h>

/* A piece of a line between two points that stay, and for how many limits they both do. */
typedef struct {
    Py_ssize_t first, last;
    uint8_t steps;
} Piece;

/* The point of a piece that is farthest from the straight line between its ends, the first of several, and how far it
   is. */
static Py_ssize_t farthest(const double *places, Py_ssize_t first, Py_ssize_t last, double *away_m) {
    const Segment straight = segment_of(places + 2 * first, places + 2 * last);
    Py_ssize_t found = first;
    double most = -1.0;
    for (Py_ssize_t k = first + 1; k < last; k++) {
        const double away = distance_from(straight, places + 2 * k);
        if (away > most) {
            most = away;
            found = k;
        }
    }
    *away_m = most;
    return found;
}

/* Douglas and Peucker on one line: where a piece is cut does not hang on the limit, only whether it is. */
static void simplify(const double *places, const double *limits, Py_ssize_t count, Piece *waiting, Py_ssize_t size,
                     uint8_t *steps) {
    Py_ssize_t left = 1;
    waiting[0] = (Piece){0, size - 1, (uint8_t)count};
    steps[0] = steps[size - 1] = (uint8_t)count;
    while (left > 0) {
        const Piece piece = waiting[--left];
        if (piece.last - piece.first < 2) continue;
        double away_m;
        const Py_ssize_t k = farthest(places, piece.first, piece.last, &away_m);
        uint8_t stays = 0;
        while (stays < piece.steps && away_m > limits[stays]) stays++;
        if (stays == 0) continue; /* and so does no other point of the piece */
        steps[k] = stays;
        waiting[left++] = (Piece){k, piece.last, stays};
        waiting[left++] = (Piece){piece.first, k, stays};
    }
}

/* simplified(places (n, 2), sizes, limits, steps): steps (n,), zeros at first, is for how many of the limits, which
   rise, a point stays; sizes : points of each line, two or more */
static PyObject *simplified(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { PLACES, SIZES, LIMITS, STEPS, ARRAYS };
    static const char *const kinds[] = {"f8r", "i8r", "f8r", "u1w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "simplified takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const int64_t *sizes = a[SIZES].data;
    int64_t points = 0, longest = 0;
    int fits = check_size(&a[PLACES], 2 * a[STEPS].size, "places") == 0;
    if (fits && a[LIMITS].size > UINT8_MAX) {
        PyErr_SetString(PyExc_ValueError, "there are too many limits");
        fits = 0;
    }
    for (Py_ssize_t k = 0; fits && k < a[LIMITS].size; k++)
        if (!(((const double *)a[LIMITS].data)[k] >= 0)) { /* or a piece would be cut at its own end, for ever */
            PyErr_SetString(PyExc_ValueError, "a limit is below 0");
            fits = 0;
        }
    for (Py_ssize_t line = 0; fits && line < a[SIZES].size; line++) {
        fits = sizes[line] >= 2 && sizes[line] <= a[STEPS].size - points;
        points += fits ? sizes[line] : 0;
        longest = fits && sizes[line] > longest ? sizes[line] : longest;
    }
    if (!PyErr_Occurred() && (!fits || points != a[STEPS].size)) {
        PyErr_SetString(PyExc_ValueError, "a line has fewer than two points, or the lines are not all points");
        fits = 0;
    }
    Piece *waiting = fits ? malloc(((size_t)longest + 1) * sizeof *waiting) : NULL; /* pieces share no inner point */
    if (fits && waiting == NULL) PyErr_NoMemory();
    if (waiting != NULL) {
        Py_BEGIN_ALLOW_THREADS
        const double *places = a[PLACES].data;
        uint8_t *steps = a[STEPS].data;
        for (Py_ssize_t line = 0; line < a[SIZES].size; line++) {
            simplify(places, a[LIMITS].data, a[LIMITS].size, waiting, (Py_ssize_t)sizes[line], steps);
            places += 2 * sizes[line];
            steps += sizes[line];
        }
        Py_END_ALLOW_THREADS
        free(waiting);
    }
    give_back(a, ARRAYS);
    if (waiting == NULL) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef simplify_methods[] = {METHOD(simplified), {NULL, NULL, 0, NULL}};
