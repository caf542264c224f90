/* The module itself. */

#include "kernels.h"

static int add_methods(PyObject *module) {
    PyMethodDef *const all[] = {span_methods, layer_methods, left_out_methods, likelihood_methods, abeam_methods,
                                distance_methods, simplify_methods, pass_methods, draw_methods, block_methods,
                                lost_methods};
    for (size_t k = 0; k < sizeof all / sizeof all[0]; k++)
        if (PyModule_AddFunctions(module, all[k]) < 0) return -1;
    return PyModule_AddStringConstant(module, "SOURCES", SOURCES);
}

static PyModuleDef_Slot slots[] = {{Py_mod_exec, add_methods}, {0, NULL}};
static PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, .m_name = "_kernels", .m_doc = "Loops in C; see _kernels.pyi.", .m_size = 0,
    .m_slots = slots,
};

PyMODINIT_FUNC PyInit__kernels(void) { return PyModuleDef_Init(&definition); }
