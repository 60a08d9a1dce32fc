/* Runs a fuzz target over every file of the folders named on the command line, so that what once
 * crashed is tried in every test run, with any compiler. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static size_t replay_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file) {
        perror(path);
        exit(1);
    }
    fseek(file, 0, SEEK_END);
    long size = ftell(file);
    rewind(file);
    /* An exact allocation, so that a read past the end is seen by the address sanitizer. */
    uint8_t *bytes = malloc(size > 0 ? (size_t)size : 1);
    if (!bytes || fread(bytes, 1, (size_t)size, file) != (size_t)size) {
        fprintf(stderr, "%s: cannot be read\n", path);
        exit(1);
    }
    fclose(file);
    LLVMFuzzerTestOneInput(bytes, (size_t)size);
    free(bytes);
    return 1;
}

static size_t replay_folder(const char *path)
{
    DIR *folder = opendir(path);
    if (!folder) {
        perror(path);
        exit(1);
    }
    size_t count = 0;
    for (const struct dirent *entry; (entry = readdir(folder)) != NULL;) {
        char name[4096];
        struct stat status;
        snprintf(name, sizeof name, "%s/%s", path, entry->d_name);
        if (stat(name, &status) == 0 && S_ISREG(status.st_mode))
            count += replay_file(name);
    }
    closedir(folder);
    return count;
}

int main(int argc, char **argv)
{
    size_t count = 0;
    for (int i = 1; i < argc; i++)
        count += replay_folder(argv[i]);
    printf("%zu inputs replayed\n", count);
    /* An empty corpus would be a test that cannot fail. */
    return count == 0;
}
