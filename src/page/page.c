/* The files of the page; CMake makes their bytes, see page.cmake. */
#include "page/page.h"
#include <string.h>

#include "page_files.inc"

#define FILE_OF(path, type, name)                                              \
    {                                                                          \
        path, type, name##_etag, name##_bytes, sizeof(name##_bytes),           \
            name##_gzip, sizeof(name##_gzip)                                   \
    }

static const struct hg_page_file files[] = {
    FILE_OF("/", "text/html; charset=utf-8", page_html),
    FILE_OF("/page.css", "text/css; charset=utf-8", page_css),
    FILE_OF("/page.js", "text/javascript; charset=utf-8", page_js),
    FILE_OF("/en.json", "application/json", page_en),
    FILE_OF("/de.json", "application/json", page_de),
    FILE_OF("/page.svg", "image/svg+xml", page_svg),
};

const struct hg_page_file *hg_page_get(size_t index)
{
    return index < sizeof(files) / sizeof(files[0]) ? &files[index] : NULL;
}

const struct hg_page_file *hg_page_find(const char *path)
{
    for (size_t i = 0; i < sizeof(files) / sizeof(files[0]); i++) {
        if (strcmp(files[i].path, path) == 0)
            return &files[i];
    }
    return NULL;
}
