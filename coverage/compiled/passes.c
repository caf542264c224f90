/* Passes over cells: what each stretch of a walk touches, less what two stretches touch round the cut between them, as
   count_passes in raster/passes.py; whole numbers of the same intervals, so the same ones.

   Nearly always that is one interval of each row, which is widened by every segment; what comes to lie apart from it in
   its row is dealt with as spans. */

#include "capsules.h"
#include <stdlib.h>
#include <string.h>

enum { AT_ONCE = 8 }; /* rows are widened so many at once, up to so many too far, where they stay as they are */

/* Of some rows the interval touched in each; nothing was, where the last column is below 0. */
typedef struct {
    int32_t *first, *last;
} Intervals;

static const int32_t NO_FIRST = INT32_MAX, NO_LAST = -1;

static void clear(Intervals rows, int64_t count) {
    for (int64_t k = 0; k < count; k++) rows.first[k] = NO_FIRST;
    for (int64_t k = 0; k < count; k++) rows.last[k] = NO_LAST;
}

static Intervals from_row(Intervals rows, int64_t row) { return (Intervals){rows.first + row, rows.last + row}; }

/* Widen an interval by another, or by nothing where its last column is below its first; 1 where they lie apart, and it
   stays as it was. */
static inline int widen(int32_t *first, int32_t *last, int32_t a, int32_t b) {
    const int32_t from = *first, to = *last;
    const int apart = (a <= b) & (to >= 0) & ((a > to + 1) | (b < from - 1)), joins = (a <= b) & !apart;
    *first = joins & (a < from) ? a : from;
    *last = joins & (b > to) ? b : to;
    return apart;
}

/* Widen the interval of each row that a segment meets; rows begin at the first of them. 1 where any lay apart. */
WIDE static int widen_by(Capsule one, int32_t low, int32_t count, Intervals rows) {
    int apart = 0;
    for (int32_t k = 0; k < (count + AT_ONCE - 1) / AT_ONCE * AT_ONCE; k++) {
        int32_t a, b;
        columns_of(one, low + k, &a, &b);
        apart |= widen(&rows.first[k], &rows.last[k], a, k < count ? b : NO_LAST);
    }
    return apart;
}

/* Counts of passes as differences along each row. */
typedef struct {
    uint16_t *differences;
    int64_t rows, stride;
} Counts;

static inline void add_span(const Counts *counts, int64_t row, int32_t first, int32_t last, int value) {
    uint16_t *line = counts->differences + row * counts->stride;
    line[first] = (uint16_t)(line[first] + value);
    line[last + 1] = (uint16_t)(line[last + 1] - value);
}

static void add_up(const Counts *counts) {
    for (int64_t row = 0; row < counts->rows; row++) {
        uint16_t sum = 0, *line = counts->differences + row * counts->stride;
        for (int64_t k = 0; k < counts->stride; k++) line[k] = sum = (uint16_t)(sum + line[k]);
    }
}

/* What the stretch at hand touches of each row, and spans of all stretches in rows where more than one interval was. */
typedef struct {
    Intervals rows;
    char *several; /* whether a row has spans besides */
    int64_t low, high;
    Spans besides;
} Touched;

/* Do again what lay apart: the interval of a row gives way to the new one. */
static int set_apart(Touched *t, const Capsules *c, Py_ssize_t seg, int32_t stretch) {
    for (int64_t row = c->low[seg]; row < c->low[seg] + c->count[seg]; row++) {
        int32_t *first = &t->rows.first[row], *last = &t->rows.last[row], a, b;
        columns_of(capsule_of(c, seg), (int32_t)row, &a, &b);
        if (!widen(first, last, a, b)) continue;
        if (add_one(&t->besides, (Span){stretch, (int32_t)row, *first, *last}) < 0) return -1;
        t->several[row] = 1;
        *first = a;
        *last = b;
    }
    return 0;
}

/* Count what a stretch touched, and begin anew. */
static int end_stretch(Touched *t, int32_t stretch, const Counts *counts) {
    for (int64_t row = t->low; row < t->high; row++) {
        const int32_t first = t->rows.first[row], last = t->rows.last[row];
        if (last < 0) continue;
        if (!t->several[row]) add_span(counts, row, first, last, 1);
        else if (add_one(&t->besides, (Span){stretch, (int32_t)row, first, last}) < 0) return -1;
        t->several[row] = 0;
    }
    if (t->low < t->high) clear(from_row(t->rows, t->low), t->high - t->low);
    t->low = INT64_MAX;
    t->high = 0;
    return 0;
}

static int count_besides(const Spans *besides, const Counts *counts) {
    Span *spans = by_row(besides->spans, besides->size, counts->rows);
    if (spans == NULL) return -1;
    const Py_ssize_t kept = unite(spans, besides->size);
    for (Py_ssize_t k = 0; k < kept; k++) add_span(counts, spans[k].row, spans[k].first, spans[k].last, 1);
    free(spans);
    return 0;
}

static int count_stretches(const Capsules *c, const int64_t *stretch, Touched *t, const Counts *counts) {
    clear(t->rows, c->rows);
    t->low = INT64_MAX;
    for (Py_ssize_t k = 0; k < c->size; k++) {
        const int64_t low = c->low[k], high = low + c->count[k];
        if (low < high) {
            if (low < t->low) t->low = low;
            if (high > t->high) t->high = high;
            if (widen_by(capsule_of(c, k), (int32_t)low, (int32_t)c->count[k], from_row(t->rows, low)) &&
                set_apart(t, c, k, (int32_t)stretch[k]) < 0)
                return -1;
        }
        if ((k + 1 == c->size || stretch[k + 1] != stretch[k]) && end_stretch(t, (int32_t)stretch[k], counts) < 0)
            return -1;
    }
    return count_besides(&t->besides, counts);
}

/* The path round a cut: segments, each with the number of its slice; slices are numbered from base on by how far they
   are from the cut, first those before it, then as many after it. */
typedef struct {
    const int64_t *segment, *slice;
    Py_ssize_t size;
    int32_t base, slices;
} Cut;

/* Room for what is found of a cut, which every cut uses again. */
typedef struct {
    int32_t *cells;
    size_t size;
    Spans row, both;
} Room;

/* Take off once what both sides of a cut touch within reach: slices i before and j after it with i + j < slices - 1.
   The spans are those of one row, in the order of their slices. */
static int take_off_row(const Span *spans, Py_ssize_t size, const Cut *cut, Spans *both, const Counts *counts) {
    both->size = 0;
    for (Py_ssize_t a = 0; a < size; a++) {
        const int32_t after = spans[a].group - cut->base - cut->slices;
        if (after < 0) continue;
        for (Py_ssize_t b = 0; b < size && spans[b].group - cut->base + after < cut->slices - 1; b++) {
            Span one = spans[a];
            one.group = cut->base;
            if (spans[b].first > one.first) one.first = spans[b].first;
            if (spans[b].last < one.last) one.last = spans[b].last;
            if (one.first <= one.last && add_one(both, one) < 0) return -1;
        }
    }
    const Py_ssize_t kept = unite(both->spans, both->size);
    for (const Span *one = both->spans; one < both->spans + kept; one++)
        add_span(counts, one->row, one->first, one->last, -1);
    return 0;
}

/* Take off what both sides touch, where a slice is more than one interval of some row. */
static int take_off_spans(const Capsules *c, const Cut *cut, Spans *both, const Counts *counts) {
    Py_ssize_t size;
    Span *spans = make_spans(c, cut->segment, cut->slice, cut->size, &size);
    int fault = spans == NULL;
    for (Py_ssize_t begin = 0, end; !fault && begin < size; begin = end) {
        for (end = begin + 1; end < size && spans[end].row == spans[begin].row; end++) continue;
        fault = take_off_row(&spans[begin], end - begin, cut, both, counts);
    }
    free(spans);
    return fault ? -1 : 0;
}

/* What both sides touch of each row, where every slice is one interval of it, whose rows lie one slice after another;
   several is set where one side of the cut or what both touch is more than one interval. */
FAST static void both_sides(Intervals slice, int64_t height, int slices, Intervals both, int32_t *several) {
    for (int64_t row = 0; row < height; row += AT_ONCE) {
        int32_t before[AT_ONCE], before_last[AT_ONCE], first[AT_ONCE], last[AT_ONCE], apart[AT_ONCE] = {0};
        clear((Intervals){before, before_last}, AT_ONCE);
        clear((Intervals){first, last}, AT_ONCE);
        for (int near = 0; near < slices - 1; near++) { /* all that is as near before the cut, and one slice after it */
            const Intervals one = from_row(slice, near * height + row);
            const Intervals after = from_row(slice, (2 * slices - 2 - near) * height + row);
            SIDE_BY_SIDE
            for (int k = 0; k < AT_ONCE; k++) {
                apart[k] |= widen(&before[k], &before_last[k], one.first[k], one.last[k]);
                const int32_t a = after.first[k] > before[k] ? after.first[k] : before[k];
                const int32_t b = after.last[k] < before_last[k] ? after.last[k] : before_last[k];
                apart[k] |= widen(&first[k], &last[k], a, b);
            }
        }
        memcpy(both.first + row, first, sizeof first);
        memcpy(both.last + row, last, sizeof last);
        memcpy(several + row, apart, sizeof apart);
    }
}

/* Take off what both sides touch in a row of which each slice is one interval. */
static int take_off_several(Intervals slice, int64_t height, int64_t row, const Cut *cut, Room *room,
                            const Counts *counts) {
    room->row.size = 0;
    for (int k = 0; k < 2 * cut->slices; k++) {
        const Span one = {cut->base + k, (int32_t)row, slice.first[k * height], slice.last[k * height]};
        if (one.last >= 0 && add_one(&room->row, one) < 0) return -1;
    }
    return take_off_row(room->row.spans, room->row.size, cut, &room->both, counts);
}

/* Rows that any segment of a cut meets, as the first and the one beyond the last. */
static void rows_of(const Capsules *c, const Cut *cut, int64_t *low, int64_t *high) {
    *low = INT64_MAX;
    *high = 0;
    for (Py_ssize_t k = 0; k < cut->size; k++) {
        const int64_t from = c->low[cut->segment[k]], many = c->count[cut->segment[k]];
        if (many > 0 && from < *low) *low = from;
        if (many > 0 && from + many > *high) *high = from + many;
    }
}

static int make_cells(Room *room, size_t size) {
    if (size <= room->size) return 0;
    free(room->cells);
    room->cells = malloc(size * sizeof *room->cells);
    room->size = room->cells == NULL ? 0 : size;
    return room->cells == NULL ? -1 : 0;
}

static int take_off(const Capsules *c, const Cut *cut, Room *room, const Counts *counts) {
    int64_t low, high;
    rows_of(c, cut, &low, &high);
    if (low >= high) return 0;
    const int64_t height = (high - low + 2 * AT_ONCE - 2) / AT_ONCE * AT_ONCE, all = 2 * cut->slices * height;
    if (make_cells(room, (size_t)(2 * all + 3 * height)) < 0) return -1;
    const Intervals slice = {room->cells, room->cells + all}, both = {slice.last + all, slice.last + all + height};
    int32_t *several = both.last + height;
    clear(slice, all);
    for (Py_ssize_t k = 0; k < cut->size; k++) {
        const Py_ssize_t seg = cut->segment[k];
        const int64_t number = cut->slice[k] - cut->base, at = number * height + c->low[seg] - low;
        if (c->count[seg] > 0 && number % cut->slices < cut->slices - 1 && /* the farthest share nothing */
            widen_by(capsule_of(c, seg), (int32_t)c->low[seg], (int32_t)c->count[seg], from_row(slice, at)))
            return take_off_spans(c, cut, &room->both, counts);
    }
    both_sides(slice, height, cut->slices, both, several);
    for (int64_t row = 0; row < high - low; row++)
        if (several[row] && take_off_several(from_row(slice, row), height, low + row, cut, room, counts) < 0) return -1;
        else if (!several[row] && both.last[row] >= 0)
            add_span(counts, low + row, both.first[row], both.last[row], -1);
    return 0;
}

/* Groups of 2 * slices, which must never fall, are cuts. */
static int take_off_all(const Capsules *c, const Array *near, int64_t stretches, int slices, Room *room,
                        const Counts *counts) {
    const int64_t *segment = near[0].data, *slice = near[1].data;
    for (Py_ssize_t begin = 0, end; begin < near[0].size; begin = end) {
        const int64_t base = slice[begin] - (slice[begin] - stretches) % (2 * slices);
        for (end = begin + 1; end < near[0].size && slice[end] < base + 2 * slices; end++) continue;
        const Cut cut = {segment + begin, slice + begin, end - begin, (int32_t)base, slices};
        if (take_off(c, &cut, room, counts) < 0) return -1;
    }
    return 0;
}

static int count_all(const Capsules *c, const int64_t *stretch, const Array *near, int64_t stretches, int slices,
                     const Counts *counts) {
    const size_t rows = (size_t)c->rows + AT_ONCE;
    Touched t = {.rows = {malloc(rows * sizeof(int32_t)), malloc(rows * sizeof(int32_t))}, .several = calloc(rows, 1)};
    Room room = {0};
    const int fault = t.rows.first == NULL || t.rows.last == NULL || t.several == NULL ||
                      count_stretches(c, stretch, &t, counts) < 0 ||
                      take_off_all(c, near, stretches, slices, &room, counts) < 0;
    if (!fault) add_up(counts);
    free(t.rows.first);
    free(t.rows.last);
    free(t.several);
    free(t.besides.spans);
    free(room.cells);
    free(room.row.spans);
    free(room.both.spans);
    return fault;
}

static int in_order(const Array *groups, int64_t from) {
    const int64_t *one = groups->data;
    for (Py_ssize_t k = 0; k < groups->size; k++)
        if (one[k] < (k ? one[k - 1] : from)) {
            PyErr_SetString(PyExc_ValueError, "a number of a group is out of range, or out of order");
            return -1;
        }
    return 0;
}

/* count_spans(*capsules, group, near, near_group, stretches, slices, counts int16 (rows, cols + 1)): passes over each
   cell; groups from stretches on are slices around cuts, 2 * slices for each */
static PyObject *count_spans(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { ARRAYS = CAPSULE_FIELDS + 3 };
    static const char *const kinds[] = {CAPSULE_KINDS, "i8r", "i8r", "i8r"}, *const sums_kind[] = {"i2w"};
    Array arrays[ARRAYS], sums;
    if (count != ARRAYS + 3) return PyErr_Format(PyExc_TypeError, "count_spans takes %d arguments", ARRAYS + 3);
    const int64_t stretches = PyLong_AsLongLong(args[ARRAYS]), slices = PyLong_AsLongLong(args[ARRAYS + 1]);
    if (PyErr_Occurred() || borrow_all(args, ARRAYS, kinds, arrays) < 0) return NULL;
    if (borrow_all(&args[ARRAYS + 2], 1, sums_kind, &sums) < 0) {
        give_back(arrays, ARRAYS);
        return NULL;
    }
    const Array *group = &arrays[CAPSULE_FIELDS], *near = group + 1;
    const Py_buffer *view = &sums.view;
    Capsules c;
    int done = 0;
    if (view->ndim != 2 || view->shape[1] < 1 || stretches < 0 || stretches >= INT32_MAX / 2 || slices < 1 ||
        slices > 64)
        PyErr_SetString(PyExc_ValueError, "counts, stretches or slices are of no use");
    else if (make_capsules(arrays, view->shape[0], view->shape[1] - 1, &c) == 0 &&
             check_size(group, c.size, "group") == 0 && check_size(&near[1], near[0].size, "near_group") == 0 &&
             in_range(group, stretches) == 0 && in_range(&near[0], c.size) == 0 &&
             in_range(&near[1], INT32_MAX / 2) == 0 && in_order(&near[1], stretches) == 0) {
        const Counts counts = {view->buf, c.rows, c.cols + 1};
        Py_BEGIN_ALLOW_THREADS
        done = !count_all(&c, group->data, near, stretches, (int)slices, &counts);
        Py_END_ALLOW_THREADS
        if (!done) PyErr_NoMemory();
    }
    give_back(&sums, 1);
    give_back(arrays, ARRAYS);
    if (!done) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef pass_methods[] = {METHOD(count_spans), {NULL, NULL, 0, NULL}};
