/* Walks drawn again with other errors of their receiver: how errors fade, as fade in estimate/chance.py, and which
   cells many short lines cover, as cover_lines in raster/passes.py; every rounding is the same. */

#include "capsules.h"
#include <string.h>

/* fade(kick f8 (n, many), keep f8 (n, ways), fresh f8 (n, ways), value f8 (n + 1, many)): every row of values is the
   one before, faded, and its kick; the first is given. The ways of fading take turns along a row. */
static PyObject *fade(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { KICK, KEEP, FRESH, VALUE, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "f8r", "f8w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "fade takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const int flat = a[KICK].view.ndim == 2 && a[KEEP].view.ndim == 2;
    const Py_ssize_t rows = flat ? a[KICK].view.shape[0] : 0, many = flat ? a[KICK].view.shape[1] : 0;
    const Py_ssize_t ways = flat ? a[KEEP].view.shape[1] : 0;
    PyObject *found = NULL;
    if (ways < 1 || a[KEEP].size != rows * ways)
        PyErr_SetString(PyExc_ValueError, "kicks and ways of fading do not fit");
    else if (check_size(&a[FRESH], rows * ways, "fresh") == 0 &&
             check_size(&a[VALUE], (rows + 1) * many, "value") == 0) {
        const double *kick = a[KICK].data, *keep = a[KEEP].data, *fresh = a[FRESH].data;
        double *before = a[VALUE].data;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++, kick += many, keep += ways, fresh += ways, before += many)
            for (Py_ssize_t k = 0, way = 0; k < many; k++, way = way + 1 < ways ? way + 1 : 0)
                before[many + k] = keep[way] * before[k] + fresh[way] * kick[k];
        Py_END_ALLOW_THREADS
        found = Py_NewRef(Py_None);
    }
    give_back(a, ARRAYS);
    return found;
}

/* What lines are laid on: the corner of a grid and its cells in metres, the radius of them all, and the rims. */
enum { LEFT, TOP, CELL, RADIUS, RIM_WEST, RIM_NORTH, LAID_FIELDS };
enum { AT_ONCE = 16 }; /* segments */

/* Some segments laid on a grid; those that are too many meet no row. */
typedef struct {
    double f[LOW][AT_ONCE];
    int32_t low[AT_ONCE], count[AT_ONCE];
} Laid;

/* Lay segments between so many places, AT_ONCE at most, as _Capsules.of in raster/passes.py. */
WIDE static void lay(const double *x, const double *y, int segments, const double *on, int32_t rows, Laid *laid) {
    const double cell = on[CELL], r = on[RADIUS] / cell;
    double u[AT_ONCE + 1], v[AT_ONCE + 1];
    for (int k = 0; k <= AT_ONCE; k++) {
        const int at = k < segments ? k : segments;
        u[k] = (x[at] - on[LEFT]) / cell - 0.5 - on[RIM_WEST];
        v[k] = (on[TOP] - y[at]) / cell - 0.5 - on[RIM_NORTH];
    }
    for (int k = 0; k < AT_ONCE; k++) {
        const double du = u[k + 1] - u[k], dv = v[k + 1] - v[k], rise = fabs(dv) < 1e-9 ? 1e-9 : dv;
        const double length = sqrt(du * du + dv * dv);
        const double offset = r * du * (rise < 0 ? -1.0 : 1.0) / (length > 1e-12 ? length : 1e-12);
        const double above = ceil((v[k] < v[k + 1] ? v[k] : v[k + 1]) - r);
        const double below = floor((v[k] > v[k + 1] ? v[k] : v[k + 1]) + r);
        /* what is no number, or beyond the grid, meets no row */
        const int32_t low = (int32_t)(above > 0 ? (above < rows ? above : rows) : 0);
        const int32_t high = (int32_t)(below > -1 ? (below < rows - 1 ? below : rows - 1) : -1);
        laid->f[U][k] = u[k];
        laid->f[V][k] = v[k];
        laid->f[DU][k] = du;
        laid->f[DV][k] = dv;
        laid->f[SLOPE][k] = 1 / rise;
        laid->f[SHIFT][k] = offset / rise;
        laid->f[SQUARE][k] = r * r;
        laid->low[k] = low;
        laid->count[k] = k < segments && high >= low ? high - low + 1 : 0;
    }
}

/* First and last column that each segment meets in the row that is so far below its first one. */
WIDE static void columns_met_by(const Laid *laid, int32_t below, int64_t cols, int32_t *first, int32_t *last) {
    for (int k = 0; k < AT_ONCE; k++) {
        const Capsule one = {.u = laid->f[U][k],
                             .v = laid->f[V][k],
                             .du = laid->f[DU][k],
                             .dv = laid->f[DV][k],
                             .slope = laid->f[SLOPE][k],
                             .shift = laid->f[SHIFT][k],
                             .square = laid->f[SQUARE][k],
                             .most = (double)(cols - 1),
                             .none = (double)cols};
        columns_of(one, laid->low[k] + below, &first[k], &last[k]);
    }
}

/* Cover what a line through so many places comes near: its segments are short, so that each meets few rows. */
static void cover_line(const double *x, const double *y, Py_ssize_t places, const double *on, int64_t rows,
                       int64_t cols, char *covered) {
    for (Py_ssize_t begin = 0; begin < places - 1; begin += AT_ONCE) {
        const Py_ssize_t left = places - 1 - begin;
        Laid laid;
        lay(x + begin, y + begin, left < AT_ONCE ? (int)left : AT_ONCE, on, (int32_t)rows, &laid);
        int32_t most = 0;
        for (int k = 0; k < AT_ONCE; k++) most = laid.count[k] > most ? laid.count[k] : most;
        for (int32_t below = 0; below < most; below++) {
            int32_t first[AT_ONCE], last[AT_ONCE];
            columns_met_by(&laid, below, cols, first, last);
            for (int k = 0; k < AT_ONCE; k++)
                if (below < laid.count[k] && first[k] <= last[k])
                    memset(covered + (laid.low[k] + below) * cols + first[k], 1, (size_t)(last[k] - first[k] + 1));
        }
    }
}

/* cover_lines(x, y, starts, laid, covered): x, y (draws, places) of lines drawn several times, starts (lines + 1,) of
   the lines among the places, of two or more each, laid as above; covered bool (draws, rows, cols) is set where one
   comes near */
static PyObject *cover_lines(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { X, Y, STARTS, LAID, COVERED, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "i8r", "f8r", "?1w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "cover_lines takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Py_buffer *view = &a[COVERED].view;
    const int64_t *starts = a[STARTS].data, draws = view->ndim == 3 ? view->shape[0] : 0;
    const Py_ssize_t lines = a[STARTS].size - 1, places = draws > 0 ? a[X].size / draws : 0;
    int fit = draws > 0 && lines >= 0 && starts[0] == 0 && starts[lines] == places && places * draws == a[X].size &&
              a[Y].size == a[X].size && a[LAID].size == LAID_FIELDS && view->shape[1] < INT32_MAX / 2 &&
              view->shape[2] < INT32_MAX / 2;
    for (Py_ssize_t k = 0; fit && k < lines; k++) fit = starts[k] < starts[k + 1] && starts[k + 1] <= places;
    PyObject *found = NULL;
    if (!fit)
        PyErr_SetString(PyExc_ValueError, "lines, draws and what they are laid on do not fit");
    else {
        const double *x = a[X].data, *y = a[Y].data;
        const int64_t rows = view->shape[1], cols = view->shape[2];
        Py_BEGIN_ALLOW_THREADS
        for (int64_t d = 0; d < draws; d++)
            for (Py_ssize_t k = 0; k < lines; k++) {
                const int64_t from = d * places + starts[k];
                cover_line(x + from, y + from, starts[k + 1] - starts[k], a[LAID].data, rows, cols,
                           (char *)view->buf + d * rows * cols);
            }
        Py_END_ALLOW_THREADS
        found = Py_NewRef(Py_None);
    }
    give_back(a, ARRAYS);
    return found;
}

PyMethodDef draw_methods[] = {METHOD(fade), METHOD(cover_lines), {NULL, NULL, 0, NULL}};
