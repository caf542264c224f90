/* What passes leave of each cell under the coil, and how it is added up and counted: as CoilPieces.lose, _add_up and
   _count in ground/under_coil.py, every rounding the same. */

#include "capsules.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

FAST static void add_lost_row(const uint16_t *more, Py_ssize_t cols, uint16_t *lost) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        const uint16_t sum = (uint16_t)(lost[k] + more[k]);
        lost[k] = sum < more[k] ? UINT16_MAX : sum;
    }
}

/* add_lost(more uint16, lost uint16): lost grows, up to what two bytes hold */
static PyObject *add_lost(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"u2r", "u2w"};
    Layer layers[2];
    if (count != 2) return PyErr_Format(PyExc_TypeError, "add_lost takes 2 arguments");
    if (borrow_layers(args, 2, kinds, layers) < 0) return NULL;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < layers[0].rows; row++)
        add_lost_row((const uint16_t *)(layers[0].data + row * layers[0].stride), layers[0].cols,
                     (uint16_t *)(layers[1].data + row * layers[1].stride));
    Py_END_ALLOW_THREADS
    give_back_layers(layers, 2);
    Py_RETURN_NONE;
}

static int lowest(uint64_t bits) {
#if defined(__GNUC__)
    return __builtin_ctzll(bits);
#else
    int bit = 0;
    while (!(bits >> bit & 1)) bit++;
    return bit;
#endif
}

/* Eight bytes of 0 or 1 as bits, the first one lowest. */
static uint64_t packed(const uint8_t *bytes) {
    uint64_t eight = 0;
    memcpy(&eight, bytes, sizeof eight);
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    eight = __builtin_bswap64(eight);
#endif
    return eight * 0x0102040810204080u >> 56;
}

/* Neighbours are mostly alike, and adding to one number again and again is slow: where a cell differs from the one
   before it is found for 64 at once. */
FAST static void count_row(const uint16_t *one, Py_ssize_t cols, int64_t *into) {
    Py_ssize_t begin = 0, k = 1;
    for (; k + 64 <= cols; k += 64) {
        uint8_t differs[64];
        for (int j = 0; j < 64; j++) differs[j] = one[k + j] != one[k + j - 1];
        uint64_t bits = 0;
        for (int j = 0; j < 64; j += 8) bits |= packed(differs + j) << j;
        for (; bits; bits &= bits - 1) {
            const Py_ssize_t end = k + lowest(bits);
            into[one[begin]] += end - begin;
            begin = end;
        }
    }
    for (; k <= cols; k++)
        if (k == cols || one[k] != one[begin]) {
            into[one[begin]] += k - begin;
            begin = k;
        }
}

/* count_lost(lost uint16, often int64 (65536,)): how many cells have each value is added to often */
static PyObject *count_lost(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"u2r"}, *const counted[] = {"i8w"};
    Layer lost;
    Array often;
    if (count != 2) return PyErr_Format(PyExc_TypeError, "count_lost takes 2 arguments");
    if (borrow_layers(args, 1, kinds, &lost) < 0) return NULL;
    if (borrow_all(&args[1], 1, counted, &often) < 0) {
        give_back_layers(&lost, 1);
        return NULL;
    }
    const int fits = check_size(&often, UINT16_MAX + 1, "often") == 0;
    if (fits) {
        int64_t *into = often.data;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; lost.cols && row < lost.rows; row++)
            count_row((const uint16_t *)(lost.data + row * lost.stride), lost.cols, into);
        Py_END_ALLOW_THREADS
    }
    give_back(&often, 1);
    give_back_layers(&lost, 1);
    if (!fits) return NULL;
    Py_RETURN_NONE;
}

typedef struct {
    float rest, value_steps, lost_steps;
} Scale;

/* What is left of one row: the mean of the weights there, times the passes. */
FAST static void lose_row(const float *mean, const int16_t *counts, const uint8_t *inside, Py_ssize_t cols,
                          float lost_steps, uint16_t *lost) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        float left = mean[k] * (float)counts[k];
        left *= lost_steps;
        left = rintf(left);
        left = left < 65535.0f ? left : 65535.0f;
        lost[k] = (uint16_t)(int32_t)(inside[k] && counts[k] > 0 ? left : 0.0f);
    }
}

/* The mean changes only where a span begins or ends: those columns are marked, and between two of them it is one
   number. marks has a bit for each column; changes of how many spans there are, and of the sum of their weights, lie
   by column. All three are nothing again when a row is done. */
typedef struct {
    uint64_t *marks;
    int32_t *often, *sums;
    float *mean;
} Row;

static void change(Row *row, Py_ssize_t col, int32_t often, int32_t weight) {
    row->often[col] += often;
    row->sums[col] += weight;
    row->marks[col >> 6] |= (uint64_t)1 << (col & 63);
}

static float mean_of(int32_t often, int32_t sum, Scale scale) {
    const float steps = (float)((int32_t)scale.value_steps * often);
    return often > 0 ? (float)((double)sum / (double)steps) : scale.rest;
}

enum { AT_ONCE = 16 };

/* Most stretches are short, so that it is quicker to write beyond the end, where other means come next. */
static void fill(float *means, Py_ssize_t from, Py_ssize_t to, float mean) {
    for (; from < to; from += AT_ONCE)
        for (int k = 0; k < AT_ONCE; k++) means[from + k] = mean;
}

static void fill_means(Row *row, Py_ssize_t cols, Scale scale) {
    int32_t often = 0, sum = 0;
    Py_ssize_t from = 0;
    float mean = scale.rest;
    for (Py_ssize_t word = 0; word <= cols >> 6; word++) {
        for (uint64_t bits = row->marks[word]; bits; bits &= bits - 1) {
            const Py_ssize_t col = word * 64 + lowest(bits);
            fill(row->mean, from, col, mean);
            from = col;
            often += row->often[col];
            sum += row->sums[col];
            row->often[col] = row->sums[col] = 0;
            mean = mean_of(often, sum, scale);
        }
        row->marks[word] = 0;
    }
    fill(row->mean, from, cols, mean);
}

static int lose(const Array *a, const Layer *layers, Scale scale) {
    const Py_ssize_t cols = layers[0].cols, words = (cols >> 6) + 1;
    uint64_t *marks = calloc((size_t)words * sizeof *marks + ((size_t)(cols + 1) * 3 + AT_ONCE) * sizeof(int32_t), 1);
    if (marks == NULL) return -1;
    int32_t *often = (int32_t *)(marks + words);
    Row here = {marks, often, often + cols + 1, (float *)(often + 2 * (cols + 1))};
    const int64_t *row = a[SPAN_ROW].data, *first = a[SPAN_FIRST].data, *last = a[SPAN_LAST].data;
    const int64_t *group = a[SPAN_GROUP].data;
    const int32_t *weight = a[SPAN_WEIGHT].data;
    Py_ssize_t span = 0;
    for (Py_ssize_t at = 0; at < layers[0].rows; at++) {
        for (; span < a[SPAN_ROW].size && row[span] == at; span++) {
            change(&here, first[span], 1, weight[group[span]]);
            change(&here, last[span] + 1, -1, -weight[group[span]]);
        }
        fill_means(&here, cols, scale);
        lose_row(here.mean, (const int16_t *)(layers[0].data + at * layers[0].stride),
                 (const uint8_t *)(layers[1].data + at * layers[1].stride), cols, scale.lost_steps,
                 (uint16_t *)(layers[2].data + at * layers[2].stride));
    }
    free(marks);
    return 0;
}

/* lose_over(row, first, last, group, weight int32 (groups,), counts int16, inside bool, lost uint16, rest, value_steps,
   lost_steps): passes times the mean weight of the spans over each cell, or times rest where there are none */
static PyObject *lose_over(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const spans[] = {SPAN_KINDS}, *const kinds[] = {"i2r", "?1r", "u2w"};
    Array arrays[SPAN_FIELDS];
    Layer layers[3];
    if (count != SPAN_FIELDS + 6) return PyErr_Format(PyExc_TypeError, "lose_over takes %d arguments", SPAN_FIELDS + 6);
    PyObject *const *scales = args + SPAN_FIELDS + 3;
    const Scale scale = {(float)PyFloat_AsDouble(scales[0]), (float)PyLong_AsLong(scales[1]),
                         (float)PyLong_AsLong(scales[2])};
    if (PyErr_Occurred() || borrow_all(args, SPAN_FIELDS, spans, arrays) < 0) return NULL;
    if (borrow_layers(args + SPAN_FIELDS, 3, kinds, layers) < 0) {
        give_back(arrays, SPAN_FIELDS);
        return NULL;
    }
    int fault = check_spans(arrays, layers[0].rows, layers[0].cols) < 0;
    if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        fault = lose(arrays, layers, scale);
        Py_END_ALLOW_THREADS
        if (fault) PyErr_NoMemory();
    }
    give_back_layers(layers, 3);
    give_back(arrays, SPAN_FIELDS);
    if (fault) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef lost_methods[] = {METHOD(add_lost), METHOD(count_lost), METHOD(lose_over), {NULL, NULL, 0, NULL}};
