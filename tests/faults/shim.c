/* Stands between the program and the disk: while a file `eio` exists in the folder that FAULT_SWITCH names, writes and
 * syncs of files below FAULT_FOLDER fail with EIO; while a file `erofs` exists there, they fail as on a file system that has
 * become read-only; while a file `hang` exists there, they do not return. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int is_switched(const char *what) {
    const char *folder = getenv("FAULT_SWITCH");
    char path[PATH_MAX];
    if (!folder) return 0;
    snprintf(path, sizeof path, "%s/%s", folder, what);
    return access(path, F_OK) == 0;
}

static int concerns(int fd) {
    const char *folder = getenv("FAULT_FOLDER");
    char link[64], path[PATH_MAX];
    ssize_t length;
    if (!folder) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    length = readlink(link, path, sizeof path - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    return strncmp(path, folder, strlen(folder)) == 0 && strstr(path, ".db") != NULL;
}

/* 1 where the call must fail; does not return while the disk hangs. */
static int fails(int fd) {
    int saved = errno;
    int bad = 0;
    if (concerns(fd)) {
        while (is_switched("hang")) usleep(10000);
        bad = is_switched("eio") ? EIO : is_switched("erofs") ? EROFS : 0;
    }
    errno = bad ? bad : saved;
    return bad != 0;
}

#define REAL(name, type) ((type)dlsym(RTLD_NEXT, name))

int fsync(int fd) { return fails(fd) ? -1 : REAL("fsync", int (*)(int))(fd); }
int fdatasync(int fd) { return fails(fd) ? -1 : REAL("fdatasync", int (*)(int))(fd); }
ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    return fails(fd) ? -1 : REAL("pwrite", ssize_t (*)(int, const void *, size_t, off_t))(fd, bytes, count, at);
}
ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    return fails(fd) ? -1 : REAL("pwrite64", ssize_t (*)(int, const void *, size_t, off64_t))(fd, bytes, count, at);
}
