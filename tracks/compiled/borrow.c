/* How arrays are borrowed. */

#include "borrow.h"

static char kind_of(const char *format) {
    switch (format == NULL ? 'B' : format[format[0] == '@' || format[0] == '=' ? 1 : 0]) {
    case 'e': case 'f': case 'd': return FLOAT;
    case 'b': case 'h': case 'i': case 'l': case 'q': case 'n': return SIGNED;
    case 'B': case 'H': case 'I': case 'L': case 'Q': case 'N': return UNSIGNED;
    case '?': return BOOLEAN;
    default: return 0;
    }
}

void give_back(Array *arrays, Py_ssize_t count) {
    for (Py_ssize_t k = 0; k < count; k++) PyBuffer_Release(&arrays[k].view);
}

/* Borrow one array; 0, or -1 with nothing borrowed. */
static int borrow(PyObject *from, int flags, const char *kind, Py_buffer *view) {
    if (PyObject_GetBuffer(from, view, flags | PyBUF_FORMAT | (kind[2] == 'w' ? PyBUF_WRITABLE : 0)) < 0) return -1;
    if (kind_of(view->format) == kind[0] && view->itemsize == kind[1] - '0') return 0;
    PyErr_Format(PyExc_TypeError, "an array is of kind %s, not %s", view->format, kind);
    PyBuffer_Release(view);
    return -1;
}

int borrow_all(PyObject *const *args, Py_ssize_t count, const char *const *kinds, Array *arrays) {
    for (Py_ssize_t k = 0; k < count; k++) {
        if (borrow(args[k], PyBUF_C_CONTIGUOUS, kinds[k], &arrays[k].view) < 0) {
            give_back(arrays, k);
            return -1;
        }
        arrays[k].data = arrays[k].view.buf;
        arrays[k].size = arrays[k].view.len / arrays[k].view.itemsize;
    }
    return 0;
}

void give_back_layers(Layer *layers, Py_ssize_t count) {
    for (Py_ssize_t k = 0; k < count; k++) PyBuffer_Release(&layers[k].view);
}

static int is_layer(Layer *layer, const Layer *like) {
    const Py_buffer *view = &layer->view;
    if (view->ndim != 2 || (view->shape[1] > 1 && view->strides[1] != view->itemsize)) {
        PyErr_SetString(PyExc_ValueError, "a layer has rows, and columns side by side");
        return 0;
    }
    layer->data = view->buf;
    layer->rows = view->shape[0];
    layer->cols = view->shape[1];
    layer->stride = view->strides[0];
    if (layer->rows == like->rows && layer->cols == like->cols) return 1;
    PyErr_SetString(PyExc_ValueError, "layers are not of one shape");
    return 0;
}

int borrow_layers(PyObject *const *args, Py_ssize_t count, const char *const *kinds, Layer *layers) {
    for (Py_ssize_t k = 0; k < count; k++) {
        if (borrow(args[k], PyBUF_STRIDES, kinds[k], &layers[k].view) < 0) {
            give_back_layers(layers, k);
            return -1;
        }
        if (!is_layer(&layers[k], &layers[0])) {
            give_back_layers(layers, k + 1);
            return -1;
        }
    }
    return 0;
}

int check_size(const Array *array, Py_ssize_t size, const char *what) {
    if (array->size == size) return 0;
    PyErr_Format(PyExc_ValueError, "%s has %zd elements, not %zd", what, array->size, size);
    return -1;
}
