# cmake -C deploy/cmake/dev.cmake -S . -B build
set(CMAKE_BUILD_TYPE RelWithDebInfo CACHE STRING "")
set(SOAKBENCH_TESTS ON CACHE BOOL "")
