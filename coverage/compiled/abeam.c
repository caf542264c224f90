/* Stations of a walk that lie abeam of one another: as _pairs in estimate/regularity.py, less those that find_spacings
   would leave out. */

#include "kernels.h"
#include <stdlib.h>

typedef struct {
    const double *x, *y, *ahead_x, *ahead_y;
    const int64_t *way;
    Py_ssize_t size;
    double reach;
} Stations;

/* Whether the walk comes past abeam of one station between a later one and the next; each sum as in find_spacings. */
static int comes_past(const Stations *s, int64_t i, int64_t j) {
    const double x = s->x[i], y = s->y[i], r = s->reach, dx = s->x[j] - x, dy = s->y[j] - y;
    if (j - i < 2 || j + 1 >= s->size || s->way[j] != s->way[j + 1] || !(dx * dx + dy * dy <= r * r)) return 0;
    if (s->x[j] < x - r || s->x[j] > x + r || s->y[j] < y - r || s->y[j] > y + r) return 0;
    const double before = dx * s->ahead_x[i] + dy * s->ahead_y[i];
    const double behind = (s->x[j + 1] - x) * s->ahead_x[i] + (s->y[j + 1] - y) * s->ahead_y[i];
    return before * behind <= 0 && before != behind;
}

/* Pairs of stations, the first of all and then the second; NULL where there is no room. */
static int64_t *pairs_of(const Stations *s, const int64_t *order, Py_ssize_t *count) {
    Py_ssize_t room = 4 * s->size + 16, size = 0;
    int64_t *pairs = malloc((size_t)room * 2 * sizeof *pairs);
    for (Py_ssize_t a = 0; pairs != NULL && a < s->size; a++)
        for (Py_ssize_t b = a + 1; b < s->size && s->x[order[b]] - s->x[order[a]] <= 1.001 * s->reach; b++) {
            const int64_t i = order[a] < order[b] ? order[a] : order[b], j = order[a] < order[b] ? order[b] : order[a];
            if (!comes_past(s, i, j)) continue;
            if (size == room) {
                room *= 2;
                int64_t *more = realloc(pairs, (size_t)room * 2 * sizeof *pairs);
                if (more == NULL) {
                    free(pairs);
                    return NULL;
                }
                pairs = more;
            }
            pairs[2 * size] = i;
            pairs[2 * size + 1] = j;
            size++;
        }
    *count = size;
    return pairs;
}

/* abeam(x, y, ahead_x, ahead_y, way, order, reach) -> bytearray of int64 (n, 2): pairs of stations, the later of which
   is within reach of the earlier and the last before the walk passes abeam of that; order : of their x, rising */
static PyObject *abeam(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { X, Y, AHEAD_X, AHEAD_Y, WAY, ORDER, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "f8r", "f8r", "i8r", "i8r"};
    Array a[ARRAYS];
    if (count != ARRAYS + 1) return PyErr_Format(PyExc_TypeError, "abeam takes %d arguments", ARRAYS + 1);
    const double reach = PyFloat_AsDouble(args[ARRAYS]);
    if (PyErr_Occurred()) return NULL;
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Stations s = {a[X].data, a[Y].data, a[AHEAD_X].data, a[AHEAD_Y].data, a[WAY].data, a[X].size, reach};
    const int64_t *order = a[ORDER].data;
    PyObject *found = NULL;
    int fit = 1;
    for (int k = Y; fit && k < ARRAYS; k++) fit = check_size(&a[k], s.size, "a field of stations") == 0;
    for (Py_ssize_t k = 0; fit && k < s.size; k++)
        if (order[k] < 0 || order[k] >= s.size) {
            PyErr_SetString(PyExc_ValueError, "the number of a station is out of range");
            fit = 0;
        }
    if (fit) {
        Py_ssize_t size = 0;
        int64_t *pairs;
        Py_BEGIN_ALLOW_THREADS
        pairs = pairs_of(&s, order, &size);
        Py_END_ALLOW_THREADS
        found = pairs == NULL ? PyErr_NoMemory()
                              : PyByteArray_FromStringAndSize((char *)pairs, 2 * size * (Py_ssize_t)sizeof *pairs);
        free(pairs);
    }
    give_back(a, ARRAYS);
    return found;
}

PyMethodDef abeam_methods[] = {METHOD(abeam), {NULL, NULL, 0, NULL}};
