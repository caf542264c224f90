/* Cells near lines: which columns of each row lie within a radius of a segment, and what is added up over them. For
   raster/passes.py: each as what it does without kernels, and every rounding is the same. */

#include "capsules.h"
#include <stdlib.h>
#include <string.h>

int make_capsules(const Array *arrays, int64_t rows, int64_t cols, Capsules *made) {
    made->size = arrays[U].size;
    for (int k = 0; k < CAPSULE_FIELDS; k++)
        if (check_size(&arrays[k], made->size, "a field of capsules") < 0) return -1;
    for (int k = 0; k < LOW; k++) made->f[k] = arrays[k].data;
    made->low = arrays[LOW].data;
    made->count = arrays[COUNT].data;
    made->rows = rows;
    made->cols = cols;
    if (rows < 0 || cols < 0 || rows > INT32_MAX / 2 || cols > INT32_MAX / 2) { /* so that none is beyond 32 bits */
        PyErr_SetString(PyExc_ValueError, "the grid is too large");
        return -1;
    }
    for (Py_ssize_t k = 0; k < made->size; k++)
        if (made->count[k] < 0 || made->low[k] < 0 || made->count[k] > rows - made->low[k]) {
            PyErr_SetString(PyExc_ValueError, "a segment leaves the rows of the grid");
            return -1;
        }
    return 0;
}

/* First and last column of so many rows. */
WIDE static void columns_met(const Capsules *c, Py_ssize_t seg, int64_t from, int count, int32_t *first,
                             int32_t *last) {
    const Capsule one = capsule_of(c, seg);
    const int32_t row = (int32_t)from;
    for (int k = 0; k < count; k++) columns_of(one, row + k, &first[k], &last[k]);
}

enum { AT_ONCE = 256, SETS_AT_ONCE = 64 }; /* rows */

/* Spans that grow, and for each row the last one there. */
typedef struct {
    Spans grown;
    Py_ssize_t *latest;
} Grown;

static int make_room(Spans *spans, Py_ssize_t more) {
    if (spans->size + more <= spans->room) return 0;
    const Py_ssize_t room = 2 * spans->room + AT_ONCE;
    Span *moved = realloc(spans->spans, (size_t)room * sizeof *moved);
    if (moved == NULL) return -1;
    spans->spans = moved;
    spans->room = room;
    return 0;
}

int add_one(Spans *to, Span one) {
    if (make_room(to, 1) < 0) return -1;
    to->spans[to->size++] = one;
    return 0;
}

static int add_segment(Grown *g, const Capsules *c, Py_ssize_t seg, int32_t group) {
    int32_t first[AT_ONCE], last[AT_ONCE];
    for (int64_t done = 0; done < c->count[seg]; done += AT_ONCE) {
        const int64_t from = c->low[seg] + done;
        const int count = (int)(c->count[seg] - done < AT_ONCE ? c->count[seg] - done : AT_ONCE);
        columns_met(c, seg, from, count, first, last);
        if (make_room(&g->grown, count) < 0) return -1;
        for (int k = 0; k < count; k++) {
            if (first[k] > last[k]) continue;
            const Py_ssize_t before = g->latest[from + k];
            if (before >= 0) {
                Span *s = &g->grown.spans[before];
                if (s->group == group && first[k] <= s->last + 1 && last[k] >= s->first - 1) {
                    if (first[k] < s->first) s->first = first[k];
                    if (last[k] > s->last) s->last = last[k];
                    continue;
                }
            }
            g->latest[from + k] = g->grown.size;
            g->grown.spans[g->grown.size++] = (Span){group, (int32_t)(from + k), first[k], last[k]};
        }
    }
    return 0;
}

Py_ssize_t unite(Span *spans, Py_ssize_t size) {
    Py_ssize_t kept = 0;
    for (Py_ssize_t begin = 0; begin < size;) {
        Py_ssize_t end = begin + 1;
        while (end < size && spans[end].row == spans[begin].row && spans[end].group == spans[begin].group) end++;
        for (Py_ssize_t k = begin + 1; k < end; k++) { /* few, and mostly in order */
            const Span one = spans[k];
            Py_ssize_t at = k;
            for (; at > begin && spans[at - 1].first > one.first; at--) spans[at] = spans[at - 1];
            spans[at] = one;
        }
        Span open = spans[begin];
        for (Py_ssize_t k = begin + 1; k < end; k++) {
            if (spans[k].first > open.last + 1) {
                spans[kept++] = open;
                open = spans[k];
            } else if (spans[k].last > open.last)
                open.last = spans[k].last;
        }
        spans[kept++] = open;
        begin = end;
    }
    return kept;
}

Span *by_row(const Span *spans, Py_ssize_t size, int64_t rows) {
    Py_ssize_t *start = calloc((size_t)rows + 1, sizeof *start);
    Span *sorted = malloc(((size_t)size + 1) * sizeof *sorted);
    if (start == NULL || sorted == NULL) {
        free(start);
        free(sorted);
        return NULL;
    }
    for (Py_ssize_t k = 0; k < size; k++) start[spans[k].row + 1]++;
    for (int64_t row = 0; row < rows; row++) start[row + 1] += start[row];
    for (Py_ssize_t k = 0; k < size; k++) sorted[start[spans[k].row]++] = spans[k];
    free(start);
    return sorted;
}

Span *make_spans(const Capsules *c, const int64_t *segment, const int64_t *group, Py_ssize_t size, Py_ssize_t *found) {
    Grown g = {{NULL, 0, 0}, malloc(((size_t)c->rows + 1) * sizeof(Py_ssize_t))};
    Span *sorted = NULL;
    int fault = g.latest == NULL;
    for (int64_t row = 0; !fault && row < c->rows; row++) g.latest[row] = -1;
    for (Py_ssize_t k = 0; !fault && k < size; k++)
        fault = add_segment(&g, c, segment == NULL ? k : segment[k], (int32_t)group[k]);
    if (!fault) sorted = by_row(g.grown.spans, g.grown.size, c->rows);
    if (sorted != NULL) *found = unite(sorted, g.grown.size);
    free(g.grown.spans);
    free(g.latest);
    return sorted;
}

int in_range(const Array *numbers, int64_t below) {
    const int64_t *one = numbers->data;
    for (Py_ssize_t k = 0; k < numbers->size; k++)
        if (one[k] < 0 || one[k] >= below) {
            PyErr_SetString(PyExc_ValueError, "a number of a segment or group is out of range");
            return -1;
        }
    return 0;
}

int check_spans(const Array *fields, int64_t rows, int64_t cols) {
    const int64_t *row = fields[SPAN_ROW].data, *first = fields[SPAN_FIRST].data, *last = fields[SPAN_LAST].data;
    for (int k = SPAN_FIRST; k <= SPAN_GROUP; k++)
        if (check_size(&fields[k], fields[SPAN_ROW].size, "a field of spans") < 0) return -1;
    for (Py_ssize_t k = 0; k < fields[SPAN_ROW].size; k++)
        if (row[k] < (k ? row[k - 1] : 0) || row[k] >= rows || first[k] < 0 || first[k] > last[k] || last[k] >= cols) {
            PyErr_SetString(PyExc_ValueError, "a span leaves the grid, or the order of rows");
            return -1;
        }
    return in_range(&fields[SPAN_GROUP], fields[SPAN_WEIGHT].size);
}

static PyObject *written(const Span *spans, Py_ssize_t size) {
    PyObject *found = PyByteArray_FromStringAndSize(NULL, 4 * size * (Py_ssize_t)sizeof(int64_t));
    if (found == NULL) return NULL;
    int64_t *out = (int64_t *)PyByteArray_AS_STRING(found);
    for (Py_ssize_t k = 0; k < size; k++) {
        out[k] = spans[k].group;
        out[size + k] = spans[k].row;
        out[2 * size + k] = spans[k].first;
        out[3 * size + k] = spans[k].last;
    }
    return found;
}

/* intervals(*capsules, group, rows, cols) -> bytearray of int64 (4, n) */
static PyObject *intervals(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { ARRAYS = CAPSULE_FIELDS + 1 };
    static const char *const kinds[] = {CAPSULE_KINDS, "i8r"};
    Array arrays[ARRAYS];
    if (count != ARRAYS + 2) return PyErr_Format(PyExc_TypeError, "intervals takes %d arguments", ARRAYS + 2);
    const int64_t rows = PyLong_AsLongLong(args[ARRAYS]), cols = PyLong_AsLongLong(args[ARRAYS + 1]);
    if (PyErr_Occurred() || borrow_all(args, ARRAYS, kinds, arrays) < 0) return NULL;
    const Array *group = &arrays[CAPSULE_FIELDS];
    Capsules c;
    PyObject *found = NULL;
    if (make_capsules(arrays, rows, cols, &c) == 0 && check_size(group, c.size, "group") == 0 &&
        in_range(group, INT32_MAX) == 0) {
        Py_ssize_t size = 0;
        Span *spans;
        Py_BEGIN_ALLOW_THREADS
        spans = make_spans(&c, NULL, group->data, c.size, &size);
        Py_END_ALLOW_THREADS
        found = spans == NULL ? PyErr_NoMemory() : written(spans, size);
        free(spans);
    }
    give_back(arrays, ARRAYS);
    return found;
}

static void cover_cells(const Capsules *c, char *covered) {
    int32_t first[AT_ONCE], last[AT_ONCE];
    for (Py_ssize_t seg = 0; seg < c->size; seg++)
        for (int64_t done = 0; done < c->count[seg]; done += AT_ONCE) {
            const int64_t from = c->low[seg] + done;
            const int rows = (int)(c->count[seg] - done < AT_ONCE ? c->count[seg] - done : AT_ONCE);
            columns_met(c, seg, from, rows, first, last);
            for (int k = 0; k < rows; k++)
                if (first[k] <= last[k])
                    memset(covered + (from + k) * c->cols + first[k], 1, (size_t)(last[k] - first[k] + 1));
        }
}

/* cover(*capsules, covered) with covered bool (rows, cols), set where a segment comes near */
static PyObject *cover(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { ARRAYS = CAPSULE_FIELDS + 1 };
    static const char *const kinds[] = {CAPSULE_KINDS, "?1w"};
    Array arrays[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "cover takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, arrays) < 0) return NULL;
    const Py_buffer *view = &arrays[CAPSULE_FIELDS].view;
    Capsules c;
    PyObject *found = NULL;
    if (view->ndim != 2)
        PyErr_SetString(PyExc_ValueError, "covered has rows and columns");
    else if (make_capsules(arrays, view->shape[0], view->shape[1], &c) == 0) {
        Py_BEGIN_ALLOW_THREADS
        cover_cells(&c, view->buf);
        Py_END_ALLOW_THREADS
        found = Py_NewRef(Py_None);
    }
    give_back(arrays, ARRAYS);
    return found;
}

/* Set a bit in the columns that a segment meets, of so many rows. */
FAST static void set_bit(const int32_t *first, const int32_t *last, int rows, uint16_t bit, uint16_t *sets,
                         int64_t cols) {
    for (int row = 0; row < rows; row++, sets += cols)
        for (int32_t k = first[row]; k <= last[row]; k++) sets[k] |= bit;
}

/* Cover cells with what the sets of bits over them are kept as; the sets of a few rows at a time, as room has, stay in
   the processor's cache. */
static void cover_with(const Capsules *c, const int64_t *bit, const uint8_t *kept, uint16_t *sets, uint8_t *cells) {
    int32_t first[AT_ONCE], last[AT_ONCE];
    for (int64_t top = 0; top < c->rows; top += SETS_AT_ONCE) {
        const int64_t bottom = top + SETS_AT_ONCE < c->rows ? top + SETS_AT_ONCE : c->rows;
        const int64_t many = (bottom - top) * c->cols;
        memset(sets, 0, (size_t)many * sizeof *sets);
        for (Py_ssize_t seg = 0; seg < c->size; seg++) {
            const int64_t end = c->low[seg] + c->count[seg];
            const int64_t from = c->low[seg] > top ? c->low[seg] : top, to = end < bottom ? end : bottom;
            if (from >= to) continue;
            columns_met(c, seg, from, (int)(to - from), first, last);
            set_bit(first, last, (int)(to - from), (uint16_t)(1 << bit[seg]), sets + (from - top) * c->cols, c->cols);
        }
        for (int64_t k = 0; k < many; k++) cells[top * c->cols + k] = kept[sets[k]];
    }
}

/* cover_bits(*capsules, bit, kept uint8 (sets,), cells uint8 (rows, cols)): what the set of bits of all segments near
   each cell is kept as */
static PyObject *cover_bits(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { BIT = CAPSULE_FIELDS, KEPT, CELLS, ARRAYS };
    static const char *const kinds[] = {CAPSULE_KINDS, "i8r", "u1r", "u1w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "cover_bits takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Py_buffer *view = &a[CELLS].view;
    int bits = 0;
    while (bits < 16 && (Py_ssize_t)2 << bits <= a[KEPT].size) bits++;
    Capsules c;
    int done = 0;
    if (view->ndim != 2 || a[KEPT].size < 1)
        PyErr_SetString(PyExc_ValueError, "cells have rows and columns, and what is kept is of use");
    else if (make_capsules(a, view->shape[0], view->shape[1], &c) == 0 && check_size(&a[BIT], c.size, "bit") == 0 &&
             in_range(&a[BIT], bits) == 0) {
        uint16_t *sets = malloc(SETS_AT_ONCE * ((size_t)c.cols + 1) * sizeof *sets);
        if (sets == NULL) PyErr_NoMemory();
        else {
            Py_BEGIN_ALLOW_THREADS
            cover_with(&c, a[BIT].data, a[KEPT].data, sets, view->buf);
            Py_END_ALLOW_THREADS
            free(sets);
            done = 1;
        }
    }
    give_back(a, ARRAYS);
    if (!done) return NULL;
    Py_RETURN_NONE;
}

/* add_spans(row, first, last, group, weight int32 (groups,), sums int32 (rows, cols + 1)): adds each span's weight over
   its columns, by differences that are then summed along the rows, as _add_up */
static PyObject *add_spans(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { SUMS = SPAN_FIELDS, ARRAYS };
    static const char *const kinds[] = {SPAN_KINDS, "i4w"};
    Array a[ARRAYS];
    if (count != ARRAYS) return PyErr_Format(PyExc_TypeError, "add_spans takes %d arguments", ARRAYS);
    if (borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const Py_buffer *view = &a[SUMS].view;
    int done = 0;
    if (view->ndim != 2)
        PyErr_SetString(PyExc_ValueError, "sums have rows and columns");
    else if (check_spans(a, view->shape[0], view->shape[1] - 1) == 0) {
        const int64_t rows = view->shape[0], stride = view->shape[1];
        const int64_t *row = a[SPAN_ROW].data, *first = a[SPAN_FIRST].data, *last = a[SPAN_LAST].data;
        const int64_t *group = a[SPAN_GROUP].data;
        const int32_t *weight = a[SPAN_WEIGHT].data;
        Py_BEGIN_ALLOW_THREADS
        uint32_t *sums = view->buf; /* they go round, so that signed and unsigned are the same */
        for (Py_ssize_t k = 0; k < a[SPAN_ROW].size; k++) {
            sums[row[k] * stride + first[k]] += (uint32_t)weight[group[k]];
            sums[row[k] * stride + last[k] + 1] -= (uint32_t)weight[group[k]];
        }
        for (int64_t at = 0; at < rows; at++)
            for (int64_t k = 1; k < stride; k++) sums[at * stride + k] += sums[at * stride + k - 1];
        Py_END_ALLOW_THREADS
        done = 1;
    }
    give_back(a, ARRAYS);
    if (!done) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef span_methods[] = {
    METHOD(intervals), METHOD(cover), METHOD(cover_bits), METHOD(add_spans), {NULL, NULL, 0, NULL},
};
