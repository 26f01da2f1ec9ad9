/* A PKCS#11 module that hands everything to another one, and fails as FAULTY_TOKEN says. Structures as in PKCS#11 v2.40:
   CK_FUNCTION_LIST is a version and 68 pointers in a fixed order, CK_TOKEN_INFO has its flags at offset 96. */
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef unsigned long ulong;
struct list { unsigned char version[2]; void *function[68]; };
struct attribute { ulong type; void *value; ulong length; };
enum { GET_TOKEN_INFO = 6, LOGIN = 18, GET_ATTRIBUTE_VALUE = 24, SIGN_INIT = 42, SIGN = 43 };

static struct list *real, ours;

static int faulty(const char *what)
{
    const char *wanted = getenv("FAULTY_TOKEN");
    return wanted && strcmp(wanted, what) == 0;
}

static ulong get_token_info(ulong slot, unsigned char *info)
{
    ulong (*call)(ulong, unsigned char *) = real->function[GET_TOKEN_INFO];
    ulong answer = call(slot, info), flags;
    memcpy(&flags, info + 96, sizeof flags);
    if (faulty("locked")) flags |= 0x40000;      /* CKF_USER_PIN_LOCKED */
    if (faulty("last-try")) flags |= 0x20000;    /* CKF_USER_PIN_FINAL_TRY */
    if (faulty("pad")) flags |= 0x100;           /* CKF_PROTECTED_AUTHENTICATION_PATH */
    memcpy(info + 96, &flags, sizeof flags);
    return answer;
}

static ulong login(ulong session, ulong user, const char *pin, ulong length)
{
    ulong (*call)(ulong, ulong, const char *, ulong) = real->function[LOGIN];
    const char *log = getenv("FAULTY_LOG");
    FILE *file = log ? fopen(log, "a") : NULL;
    if (file) { fputs(pin ? "login\n" : "login at the pad\n", file); fclose(file); }
    if (faulty("locks")) return 0xA4;            /* CKR_PIN_LOCKED */
    if (faulty("pad") && !pin) { pin = getenv("FAULTY_PIN"); length = strlen(pin); }
    return call(session, user, pin, length);
}

static ulong get_attribute_value(ulong session, ulong object, struct attribute *wanted, ulong count)
{
    ulong (*call)(ulong, ulong, struct attribute *, ulong) = real->function[GET_ATTRIBUTE_VALUE];
    ulong answer = call(session, object, wanted, count);
    for (ulong i = 0; answer == 0 && i < count; i++) {
        if (!wanted[i].value) continue;
        if (wanted[i].type == 0x162 && faulty("extractable")) *(unsigned char *)wanted[i].value = 1;
        if (wanted[i].type == 0x181 && faulty("bare-point") && wanted[i].length == 67) {
            memmove(wanted[i].value, (char *)wanted[i].value + 2, 65);
            wanted[i].length = 65;
        }
        if (wanted[i].type == 0x181 && faulty("bad-point")) ((char *)wanted[i].value)[66] ^= 1;
    }
    return answer;
}

static ulong sign_init(ulong session, void *mechanism, ulong key)
{
    ulong (*call)(ulong, void *, ulong) = real->function[SIGN_INIT];
    if (faulty("not-permitted")) return 0x68;    /* CKR_KEY_FUNCTION_NOT_PERMITTED */
    if (faulty("no-mechanism")) return 0x70;     /* CKR_MECHANISM_INVALID */
    return call(session, mechanism, key);
}

static ulong sign(ulong session, void *data, ulong length, unsigned char *value, ulong *size)
{
    ulong (*call)(ulong, void *, ulong, unsigned char *, ulong *) = real->function[SIGN];
    ulong answer;
    if (faulty("gone")) return 0x32;             /* CKR_DEVICE_REMOVED */
    if (faulty("odd")) return 0x80000001;        /* CKR_VENDOR_DEFINED and something */
    answer = call(session, data, length, value, size);
    if (answer == 0 && value && faulty("flipped")) value[7] ^= 4;
    return answer;
}

ulong C_GetFunctionList(struct list **out)
{
    void *module = dlopen(getenv("FAULTY_REAL"), RTLD_NOW);
    ulong (*call)(struct list **);
    if (!module) return 6;
    *(void **)&call = dlsym(module, "C_GetFunctionList");
    call(&real);
    ours = *real;
    ours.function[GET_TOKEN_INFO] = get_token_info;
    ours.function[LOGIN] = login;
    ours.function[GET_ATTRIBUTE_VALUE] = get_attribute_value;
    ours.function[SIGN_INIT] = sign_init;
    ours.function[SIGN] = sign;
    *out = &ours;
    return 0;
}
