# Address and undefined-behaviour sanitizers.
set(CMAKE_BUILD_TYPE RelWithDebInfo CACHE STRING "")
set(SOAKBENCH_SANITIZE address CACHE STRING "")
set(SOAKBENCH_TESTS ON CACHE BOOL "")
