/* Cells counted by blocks, as block_counts in raster/grid.py: whole numbers. */

#include "kernels.h"
#include <stdlib.h>
#include <string.h>

/* Blocks of side by side cells, of which the first begins so many rows and columns before the layer. */
typedef struct {
    Py_ssize_t side, down, right, rows, cols, most;
} Blocks;

/* Count in each column what is 1, 2 ... and most or more: down the rows of a block, as columns lie side by side. */
FAST static void count_values(const int16_t *values, const uint8_t *within, Py_ssize_t cols, Py_ssize_t most,
                              int16_t *of, uint16_t *found) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        const int16_t value = values[k] < (int16_t)most ? values[k] : (int16_t)most;
        of[k] = (int16_t)(value & -(within[k] != 0)); /* a choice would be made cell by cell */
    }
    for (Py_ssize_t n = 1; n <= most; n++, found += cols)
        for (Py_ssize_t k = 0; k < cols; k++) found[k] = (uint16_t)(found[k] + (of[k] == (int16_t)n));
}

static void add_blocks(const Blocks *blocks, Py_ssize_t row, Py_ssize_t cols, const uint16_t *found, double *total) {
    for (Py_ssize_t n = 0; n < blocks->most; n++, found += cols) {
        double *into = total + (n * blocks->rows + row) * blocks->cols;
        Py_ssize_t k = 0;
        for (Py_ssize_t block = 0; block < blocks->cols; block++) {
            const Py_ssize_t end = (block + 1) * blocks->side - blocks->right;
            Py_ssize_t sum = 0;
            for (; k < end && k < cols; k++) sum += found[k];
            into[block] += (double)sum;
        }
    }
}

static int count_in_blocks(const Layer *layers, const Blocks *blocks, double *total) {
    const Py_ssize_t cols = layers[0].cols;
    const size_t room = (size_t)(blocks->most * cols) * sizeof(uint16_t);
    uint16_t *found = malloc(room + (size_t)(cols + 1) * sizeof(int16_t));
    if (found == NULL) return -1;
    Py_ssize_t row = 0;
    for (Py_ssize_t block = 0; block < blocks->rows; block++) {
        memset(found, 0, room);
        for (; row < layers[0].rows && row < (block + 1) * blocks->side - blocks->down; row++)
            count_values((const int16_t *)(layers[0].data + row * layers[0].stride),
                         (const uint8_t *)(layers[1].data + row * layers[1].stride), cols, blocks->most,
                         (int16_t *)(found + blocks->most * cols), found);
        add_blocks(blocks, block, cols, found, total);
    }
    free(found);
    return 0;
}

/* count_blocks(values int16, within bool, side, down, right, total float64 (most, rows, cols) of blocks): how many
   cells of each block are 1, 2 ... and most or more is added to total */
static PyObject *count_blocks(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"i2r", "?1r"}, *const counted[] = {"f8w"};
    Layer layers[2];
    Array total;
    if (count != 6) return PyErr_Format(PyExc_TypeError, "count_blocks takes 6 arguments");
    const long side = PyLong_AsLong(args[2]), down = PyLong_AsLong(args[3]), right = PyLong_AsLong(args[4]);
    if (PyErr_Occurred()) return NULL;
    if (side < 1 || side > UINT16_MAX || down < 0 || down >= side || right < 0 || right >= side)
        return PyErr_Format(PyExc_ValueError, "blocks of %ld from %ld, %ld are of no use", side, down, right);
    if (borrow_layers(args, 2, kinds, layers) < 0) return NULL;
    if (borrow_all(&args[5], 1, counted, &total) < 0) {
        give_back_layers(layers, 2);
        return NULL;
    }
    Blocks blocks = {.side = side, .down = down, .right = right,
                     .rows = (layers[0].rows + down + side - 1) / side,
                     .cols = (layers[0].cols + right + side - 1) / side};
    const Py_ssize_t each = blocks.rows * blocks.cols;
    blocks.most = each ? total.size / each : 0;
    int fault = check_size(&total, each * blocks.most, "total") < 0;
    if (!fault && blocks.most > INT16_MAX) {
        PyErr_SetString(PyExc_ValueError, "more values than are told apart");
        fault = 1;
    } else if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        fault = count_in_blocks(layers, &blocks, total.data);
        Py_END_ALLOW_THREADS
        if (fault) PyErr_NoMemory();
    }
    give_back(&total, 1);
    give_back_layers(layers, 2);
    if (fault) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef block_methods[] = {METHOD(count_blocks), {NULL, NULL, 0, NULL}};
