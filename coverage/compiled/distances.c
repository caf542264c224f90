/* Squared distances within a mask, as squared_distances in ground/distances.py: whole numbers, so the same ones. */

#include "kernels.h"
#include <string.h>

/* For numbers of one size: the distance along a row to the nearest cell that is not in the mask, squared, then the
   least over all rows within reach. Rows farther away than the farthest cell of a row change nothing there. */
#define DISTANCES(NAME, TYPE)                                                                                       \
    static void NAME##_along(const uint8_t *mask, Py_ssize_t cols, TYPE most, TYPE *along) {                        \
        TYPE since = most;                                                                                          \
        for (Py_ssize_t k = 0; k < cols; k++) {                                                                     \
            since = (TYPE)(mask[k] ? since + (since < most) : 0);                                                   \
            along[k] = since;                                                                                       \
        }                                                                                                           \
        since = most;                                                                                               \
        for (Py_ssize_t k = cols - 1; k >= 0; k--) {                                                                \
            since = (TYPE)(mask[k] ? since + (since < most) : 0);                                                   \
            const TYPE nearest = since < along[k] ? since : along[k];                                               \
            along[k] = (TYPE)(nearest * nearest);                                                                   \
        }                                                                                                           \
    }                                                                                                               \
    FAST static TYPE NAME##_lower(TYPE *least, const TYPE *other, TYPE further, Py_ssize_t cols) {                  \
        TYPE highest = 0;                                                                                           \
        for (Py_ssize_t k = 0; k < cols; k++) {                                                                     \
            const TYPE away = (TYPE)(other[k] + further);                                                           \
            least[k] = away < least[k] ? away : least[k];                                                           \
            highest = least[k] > highest ? least[k] : highest;                                                      \
        }                                                                                                           \
        return highest;                                                                                             \
    }                                                                                                               \
    static void NAME(const Layer *mask, uint32_t most, TYPE *along, TYPE *least) {                                  \
        const Py_ssize_t rows = mask->rows, cols = mask->cols;                                                      \
        for (Py_ssize_t row = 0; row < rows; row++)                                                                 \
            NAME##_along((const uint8_t *)(mask->data + row * mask->stride), cols, (TYPE)most, along + row * cols); \
        for (Py_ssize_t row = 0; row < rows; row++) {                                                               \
            TYPE *mine = least + row * cols;                                                                        \
            memcpy(mine, along + row * cols, (size_t)cols * sizeof *mine);                                          \
            TYPE highest = NAME##_lower(mine, mine, 0, cols);                                                       \
            for (Py_ssize_t off = 1; off < most && off < rows && off * off < highest; off++) {                      \
                const TYPE further = (TYPE)(off * off);                                                             \
                if (row >= off) highest = NAME##_lower(mine, along + (row - off) * cols, further, cols);            \
                if (row + off < rows) highest = NAME##_lower(mine, along + (row + off) * cols, further, cols);      \
            }                                                                                                       \
        }                                                                                                           \
    }
DISTANCES(squares_16, uint16_t)
DISTANCES(squares_32, uint32_t)

/* squared_distances(mask bool (rows, cols), most, along, least): along and least (rows, cols), both uint16, or uint32
   where most is over 181; along is room to work in */
static PyObject *squared_distances(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"?1r"}, *const small[] = {"u2w", "u2w"}, *const large[] = {"u4w", "u4w"};
    Layer mask;
    Array arrays[2];
    if (count != 4) return PyErr_Format(PyExc_TypeError, "squared_distances takes 4 arguments");
    const long most = PyLong_AsLong(args[1]);
    if (PyErr_Occurred() || borrow_layers(args, 1, kinds, &mask) < 0) return NULL;
    const int is_small = most <= 181;
    if (borrow_all(args + 2, 2, is_small ? small : large, arrays) < 0) {
        give_back_layers(&mask, 1);
        return NULL;
    }
    const Py_ssize_t cells = mask.rows * mask.cols;
    int fits = check_size(&arrays[0], cells, "along") == 0 && check_size(&arrays[1], cells, "least") == 0;
    if (fits && (most < 1 || most > 46000)) { /* the sum of two squares fits 32 bits */
        PyErr_SetString(PyExc_ValueError, "the limit is none, or too large");
        fits = 0;
    }
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        if (is_small)
            squares_16(&mask, (uint32_t)most, arrays[0].data, arrays[1].data);
        else
            squares_32(&mask, (uint32_t)most, arrays[0].data, arrays[1].data);
        Py_END_ALLOW_THREADS
    }
    give_back(arrays, 2);
    give_back_layers(&mask, 1);
    if (!fits) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef distance_methods[] = {METHOD(squared_distances), {NULL, NULL, 0, NULL}};
