# The whole daemon in one thread on the virtual clock, for tests that want the chain.
add_library(harness STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/harness.c
  ${CMAKE_CURRENT_SOURCE_DIR}/support/harness_record.c)
target_include_directories(harness PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/support)
target_compile_definitions(harness PRIVATE SOURCE_DIR="${PROJECT_SOURCE_DIR}")
target_link_libraries(harness PUBLIC runtime vbench PkgConfig::CHECK)
